// Where a signal's bits lie in its frame, and which signals may share them.
import { bitPositions } from '../codec/bits.ts';
import type { When } from './vehicle.ts';

/** Place of a signal: see `Signal.startBit` for the numbering. */
export interface BitPlace {
  startBit: number;
  bitLength: number;
  byteOrder: 'little' | 'big';
}

/** Whole bytes `first..last` as a place; for `big`, byte `first` is the high one, and its bit 7 the start bit. */
export function toBitPlace(first: number, last: number, byteOrder: 'little' | 'big'): BitPlace {
  return { startBit: byteOrder === 'little' ? first * 8 : first * 8 + 7, bitLength: (last - first + 1) * 8, byteOrder };
}

/** The frame's bits that a signal takes, each as byte × 8 + bit: `codec/bits.ts` has the picture. */
export function bitsOf(place: BitPlace): number[] {
  return bitPositions({ ...place, sign: 'unsigned' }).map(({ byte, bit }) => byte * 8 + bit);
}

/** `byte 2 bits 0 to 7, byte 3 bit 7`: bits in words. */
export function toBitsInWords(bits: number[]): string {
  const byByte = new Map<number, number[]>();
  for (const bit of [...bits].sort((a, b) => a - b)) byByte.set(bit >> 3, [...(byByte.get(bit >> 3) ?? []), bit & 7]);
  return [...byByte]
    .map(([byte, inside]) => {
      if (inside.length === 8) return `byte ${byte}`;
      const [low, high] = [inside[0], inside.at(-1)];
      return low === high ? `byte ${byte} bit ${low}` : `byte ${byte} bits ${low} to ${high}`;
    })
    .join(', ');
}

/** True when the two can never be present at once: some signal must have different raw values for each. */
export function areExclusive(a: When[], b: When[]): boolean {
  return a.some((one) => b.some((other) => one.signal === other.signal && !rangesMeet(one, other)));
}

function rangesMeet(a: When, b: When): boolean {
  return a.ranges.some((one) => b.ranges.some((other) => one.from <= other.to && other.from <= one.to));
}
