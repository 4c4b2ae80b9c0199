// Raw values as people write them, turned into a signal's bit patterns with all 64 bits.
import type { Fault } from './problem.ts';
import type { RawRange, Signal } from './vehicle.ts';

export type RawBits = Pick<Signal, 'bitLength' | 'sign'>;

/** Lowest and highest raw number that the bits can say, signs considered. */
export function rawLimits({ bitLength, sign }: RawBits): RawRange {
  const span = 1n << BigInt(bitLength);
  return sign === 'signed' ? { from: -span / 2n, to: span / 2n - 1n } : { from: 0n, to: span - 1n };
}

/** The bit pattern of a raw value: -1 and 0xFF of 8 signed bits are both 0xFF; undefined when it does not fit. */
export function toPattern(raw: bigint, bits: RawBits): bigint | undefined {
  const span = 1n << BigInt(bits.bitLength);
  if (raw >= 0n) return raw < span ? raw : undefined;
  return bits.sign === 'signed' && raw >= -span / 2n ? raw + span : undefined;
}

/** Ranges as patterns; one that runs from below 0 to above it becomes two. Or the first that does not fit. */
export function checkRawRanges(ranges: RawRange[], bits: RawBits): RawRange[] | { index: number; fault: Fault } {
  const patterns: RawRange[] = [];
  for (const [index, { from, to }] of ranges.entries()) {
    const parts =
      from < 0n && to >= 0n
        ? [
            { from, to: -1n },
            { from: 0n, to },
          ]
        : [{ from, to }];
    for (const part of parts) {
      const [low, high] = [toPattern(part.from, bits), toPattern(part.to, bits)];
      if (low === undefined || high === undefined) return { index, fault: tooLarge(low === undefined ? part.from : part.to, bits) };
      patterns.push({ from: low, to: high });
    }
  }
  return patterns;
}

function tooLarge(raw: bigint, bits: RawBits): Fault {
  const { from, to } = rawLimits(bits);
  const say = `raw value ${raw} (0x${(raw < 0n ? -raw : raw).toString(16).toUpperCase()}) does not fit into ${bits.bitLength} ${bits.sign} bits`;
  return {
    code: 'RAW_VALUE_OUTSIDE_BITS',
    say,
    fix: `Write ${from} to ${to} (0x${((1n << BigInt(bits.bitLength)) - 1n).toString(16).toUpperCase()} is all ones).`,
  };
}
