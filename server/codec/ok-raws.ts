// The raw values of a signal that are plainly ok, so that a decoder can pass nearly all samples with one comparison of whole numbers.
import type { Signal } from '../definitions/vehicle.ts';
import { toRawRanges } from './bits.ts';

/** Inclusive range of raw values of at most 32 bits. */
export interface RawNumbers {
  from: number;
  to: number;
}

/** Every raw value that the bits of an integer signal of at most 32 bits can hold. */
export function allRaws({ bitLength, sign }: Signal): RawNumbers {
  const count = 2 ** bitLength;
  return sign === 'signed' ? { from: -count / 2, to: count / 2 - 1 } : { from: 0, to: count - 1 };
}

/**
 * The longest range of raw values of which none is a fault, not available or outside `min` to `max`. Undefined when there is none, and
 * for floats and signals of more than 32 bits.
 *
 * Worked: 12 bits unsigned, fault 4095, not available 4094, factor 0.1, max 400 → 0 to 4000.
 */
export function findOkRaws(signal: Signal): RawNumbers | undefined {
  if (signal.sign === 'float' || signal.bitLength > 32) return undefined;
  let longest = findInsideLimits(signal);
  if (!longest || !Number.isFinite(toValue(signal, longest.from)) || !Number.isFinite(toValue(signal, longest.to))) return undefined;
  let pieces = [longest];
  for (const { from, to } of toRawRanges(signal, [...signal.fault, ...signal.notAvailable])) {
    pieces = pieces.flatMap((piece) => [
      { from: piece.from, to: Math.min(piece.to, Number(from) - 1) },
      { from: Math.max(piece.from, Number(to) + 1), to: piece.to },
    ]);
    pieces = pieces.filter((piece) => piece.from <= piece.to);
  }
  longest = pieces[0];
  for (const piece of pieces) if (longest && piece.to - piece.from > longest.to - longest.from) longest = piece;
  return longest;
}

/** Raw values whose value is inside `min` to `max`: one range, because rounded products and sums never turn back as the raw rises. */
function findInsideLimits(signal: Signal): RawNumbers | undefined {
  const { factor, min, max } = signal;
  const all = allRaws(signal);
  const above = (raw: number): boolean => min === undefined || toValue(signal, raw) >= min;
  const below = (raw: number): boolean => max === undefined || toValue(signal, raw) <= max;
  const [rising, falling] = factor < 0 ? [below, above] : [above, below];
  const from = findFirst(all, rising);
  const to = findFirst(all, (raw) => !falling(raw)) - 1;
  return from <= to ? { from, to } : undefined;
}

function toValue({ factor, offset }: Signal, raw: number): number {
  return raw * factor + offset;
}

/** The first of the raws for which `holds`, which holds for all behind it too; one behind the last when it holds for none. */
function findFirst({ from, to }: RawNumbers, holds: (raw: number) => boolean): number {
  let low = from;
  let high = to + 1;
  while (low < high) {
    const middle = Math.floor((low + high) / 2);
    if (holds(middle)) high = middle;
    else low = middle + 1;
  }
  return low;
}
