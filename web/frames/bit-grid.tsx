// A frame's bytes bit by bit: which bits a signal is read from, which ever changed, which nobody has claimed.
import './bit-grid.css';

export interface BitGridProps {
  /** Hexadecimal, two digits a byte; empty: never seen, then `lengthBytes` cells are drawn empty. */
  bytes: string;
  lengthBytes: number;
  /** Bit numbers to light; bit 0 is the lowest of byte 0. */
  lit?: ReadonlySet<number>;
  /** Hexadecimal masks as long as `bytes`. */
  changed?: string;
  unclaimed?: string;
  /** What a screen reader hears instead of the drawing. */
  label: string;
}

/** `toByteList('0F12')` is [15, 18]. */
export function toByteList(hex: string): number[] {
  return Array.from({ length: hex.length >> 1 }, (_, i) => Number.parseInt(hex.slice(2 * i, 2 * i + 2), 16));
}

export function BitGrid({ bytes, lengthBytes, lit, changed = '', unclaimed = '', label }: BitGridProps) {
  const values = toByteList(bytes);
  const changedBytes = toByteList(changed);
  const unclaimedBytes = toByteList(unclaimed);
  const count = Math.max(values.length, lengthBytes);
  return (
    <div class="bit-grid" role="img" aria-label={label}>
      {Array.from({ length: count }, (_, i) => (
        <div key={i} class="byte">
          <span class="byte-number">{i}</span>
          <span class="byte-hex bytes">{values[i] === undefined ? '··' : toHexByte(values[i])}</span>
          <span class="bits">
            {[7, 6, 5, 4, 3, 2, 1, 0].map((bit) => (
              <span
                key={bit}
                class="bit"
                data-lit={lit?.has(8 * i + bit) || undefined}
                data-changed={isSet(changedBytes[i], bit) || undefined}
                data-unclaimed={isSet(unclaimedBytes[i], bit) || undefined}
              >
                {values[i] === undefined ? '' : (values[i] >> bit) & 1}
              </span>
            ))}
          </span>
        </div>
      ))}
    </div>
  );
}

function isSet(mask: number | undefined, bit: number): boolean {
  return mask !== undefined && ((mask >> bit) & 1) === 1;
}

function toHexByte(value: number): string {
  return value.toString(16).toUpperCase().padStart(2, '0');
}
