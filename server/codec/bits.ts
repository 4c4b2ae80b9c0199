// Where a signal's bits lie in a frame's bytes, and its raw value read bit by bit: for explaining and checking, not for speed.
import type { RawRange, Signal } from '../definitions/vehicle.ts';

/** What bit questions need to know of a signal. */
export type BitField = Pick<Signal, 'startBit' | 'bitLength' | 'byteOrder' | 'sign'>;

/** One bit of a frame. Bit 0 is the least significant of its byte. */
export interface BitPosition {
  byte: number;
  bit: number;
}

/**
 * The bits of a signal, most significant first.
 *
 * Bits are numbered `byte * 8 + bit`, bit 0 being the least significant of byte 0:
 *
 *     byte 0                    byte 1                    byte 2
 *     7  6  5  4  3  2  1  0   15 14 13 12 11 10  9  8   23 22 21 20 19 18 17 16
 *
 * `little`, start bit 4, 12 bits: from the least significant bit (4) upward, 4, 5, ... 15.
 *
 *     l  l  l  l  .  .  .  .    H  h  h  h  h  h  h  h     raw = byte 1 << 4 | byte 0 >> 4
 *
 * `big`, start bit 3, 12 bits: from the most significant bit (3) downward and on at bit 7 of the next byte, 3, 2, 1, 0, 15, ... 8.
 *
 *     .  .  .  .  H  h  h  h    l  l  l  l  l  l  l  l     raw = (byte 0 & 15) << 8 | byte 1
 */
export function bitPositions(field: BitField): BitPosition[] {
  const positions: BitPosition[] = [];
  for (let i = 0; i < field.bitLength; i++) {
    if (field.byteOrder === 'little') {
      const at = field.startBit + field.bitLength - 1 - i;
      positions.push({ byte: at >> 3, bit: at & 7 });
    } else {
      const fromLeft = leftPosition(field.startBit) + i;
      positions.push({ byte: fromLeft >> 3, bit: 7 - (fromLeft & 7) });
    }
  }
  return positions;
}

/** Number of data bytes that a frame must have to hold the signal whole. */
export function bytesNeeded(field: BitField): number {
  const lastBit = field.byteOrder === 'little' ? field.startBit + field.bitLength - 1 : leftPosition(field.startBit) + field.bitLength - 1;
  return (lastBit >> 3) + 1;
}

/**
 * Position of a bit when a frame's bits are written in the order of transmission, most significant bit of byte 0 first:
 * bit 7 → 0, bit 0 → 7, bit 15 → 8. Its own inverse.
 */
export function leftPosition(bit: number): number {
  return (bit & ~7) | (7 - (bit & 7));
}

/**
 * The raw value of a signal, all bits kept: negative for a `signed` one, the bit pattern for a `float` one.
 * Undefined when the bytes are too few. Worked: bytes 6C 96, little, start 4, 12 bits → 0x966.
 */
export function extractRaw(bytes: Uint8Array, field: BitField): bigint | undefined {
  if (bytes.length < bytesNeeded(field)) return undefined;
  let raw = 0n;
  for (const { byte, bit } of bitPositions(field)) raw = (raw << 1n) | BigInt(((bytes[byte] as number) >> bit) & 1);
  return field.sign === 'signed' ? BigInt.asIntN(field.bitLength, raw) : raw;
}

/**
 * Ranges of bit patterns, as definitions hold them, as ranges of the raw value, which is negative where a signed signal's highest bit is
 * set: 0x7FFF..0x8001 of 16 bits → 32767..32767 and −32768..−32767. What no pattern can be is left out.
 */
export function toRawRanges(field: BitField, ranges: readonly RawRange[]): RawRange[] {
  const patterns = 1n << BigInt(field.bitLength);
  if (field.sign !== 'signed') return ranges.flatMap((range) => clipped(range, 0n, patterns - 1n));
  return ranges.flatMap((range) => [
    ...clipped(range, 0n, patterns / 2n - 1n),
    ...clipped(range, patterns / 2n, patterns - 1n).map(({ from, to }) => ({ from: from - patterns, to: to - patterns })),
  ]);
}

function clipped(range: RawRange, low: bigint, high: bigint): RawRange[] {
  const from = range.from > low ? range.from : low;
  const to = range.to < high ? range.to : high;
  return from <= to ? [{ from, to }] : [];
}

/** Name of a raw value (as `extractRaw` gives it) in the signal's `states`, which hold bit patterns. */
export function findState(signal: Pick<Signal, 'states' | 'bitLength'>, raw: bigint): string | undefined {
  return signal.states.get(BigInt.asUintN(signal.bitLength, raw));
}
