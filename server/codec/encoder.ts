// Values to frame bytes: the decoder's counterpart for the simulator and the tests, written bit by bit and sharing none of its code.
import { strict as assert } from 'node:assert';
import type { Frame, Signal } from '../definitions/vehicle.ts';

/**
 * Bytes of one frame. Signals that are not given, or whose `when` does not hold, are left 0; selectors must be among the given ones.
 *
 * @param values Signal name → value in its unit; rounded to the nearest raw value and held inside what the bits can carry.
 * @param raws Signal name → raw value, instead of a value: for masks, counters and selectors.
 */
export function encodeFrame(
  frame: Frame,
  values: ReadonlyMap<string, number>,
  raws: ReadonlyMap<string, bigint> = new Map(),
  bytes: Uint8Array = new Uint8Array(frame.lengthBytes),
): Uint8Array {
  bytes.fill(0);
  const rawOf = (signal: Signal): bigint | undefined => {
    const raw = raws.get(signal.name);
    if (raw !== undefined) return raw;
    const value = values.get(signal.name);
    return value === undefined ? undefined : toRaw(signal, value);
  };
  for (const signal of frame.signals) {
    const raw = rawOf(signal);
    if (raw !== undefined && isPresent(frame, signal, rawOf)) placeRaw(bytes, signal, raw);
  }
  return bytes;
}

/**
 * The raw value nearest to `value`, negative for signed signals, the bit pattern for floats. Values beyond what the bits carry give
 * the end of the range. Worked: factor 0.1, offset −50, 23.4 → 734.
 */
export function toRaw(signal: Signal, value: number): bigint {
  const { bitLength, sign, factor, offset } = signal;
  assert(!Number.isNaN(value), `${signal.name}: a value is a number`);
  const unscaled = (value - offset) / factor;
  if (sign === 'float') return floatPattern(unscaled, bitLength);
  const bits = BigInt(bitLength);
  const low = sign === 'signed' ? -(1n << (bits - 1n)) : 0n;
  const high = sign === 'signed' ? (1n << (bits - 1n)) - 1n : (1n << bits) - 1n;
  if (unscaled === Number.POSITIVE_INFINITY) return high;
  if (unscaled === Number.NEGATIVE_INFINITY) return low;
  const raw = BigInt(Math.round(unscaled));
  return raw < low ? low : raw > high ? high : raw;
}

/** Writes the low bits of `raw` where the signal lies; other bits stay. */
export function placeRaw(bytes: Uint8Array, signal: Pick<Signal, 'startBit' | 'bitLength' | 'byteOrder'>, raw: bigint): void {
  let byte = signal.startBit >> 3;
  let bit = signal.startBit & 7;
  for (let i = 0; i < signal.bitLength; i++) {
    // Little-endian walks from the least significant bit upward, big-endian from the most significant downward.
    const weight = signal.byteOrder === 'little' ? i : signal.bitLength - 1 - i;
    const one = ((raw >> BigInt(weight)) & 1n) === 1n;
    assert(byte < bytes.length, 'the signal lies inside the frame');
    bytes[byte] = one ? (bytes[byte] as number) | (1 << bit) : (bytes[byte] as number) & ~(1 << bit);
    if (signal.byteOrder === 'little') bit++;
    else bit--;
    if (bit > 7) {
      bit = 0;
      byte++;
    } else if (bit < 0) {
      bit = 7;
      byte++;
    }
  }
}

function isPresent(frame: Frame, signal: Signal, rawOf: (signal: Signal) => bigint | undefined): boolean {
  return signal.when.every(({ signal: name, ranges }) => {
    const selector = frame.signals.find((other) => other.name === name);
    assert(selector, `${name} is a signal of the frame`);
    const raw = rawOf(selector);
    if (raw === undefined) return false;
    const pattern = BigInt.asUintN(selector.bitLength, raw);
    return ranges.some(({ from, to }) => pattern >= from && pattern <= to);
  });
}

function floatPattern(value: number, bitLength: number): bigint {
  const view = new DataView(new ArrayBuffer(8));
  if (bitLength === 32) {
    view.setFloat32(0, value);
    return BigInt(view.getUint32(0));
  }
  view.setFloat64(0, value);
  return view.getBigUint64(0);
}
