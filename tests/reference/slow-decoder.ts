// A slow decoder in BigInt, by shifting the whole frame as one number: shares nothing with the compiled one, and decides against it.
import type { Frame, RawRange, Signal } from '../../server/definitions/vehicle.ts';

export interface SlowSample {
  channel: number;
  value: number | null;
  quality: 'ok' | 'out-of-range' | 'fault' | 'missing';
}

/** Bit pattern of a signal. The frame is one number: for `little` its first byte is the lowest, for `big` the highest. */
export function slowPattern(bytes: Uint8Array, signal: Pick<Signal, 'startBit' | 'bitLength' | 'byteOrder'>): bigint {
  const mask = (1n << BigInt(signal.bitLength)) - 1n;
  const hex = Buffer.from(signal.byteOrder === 'little' ? Uint8Array.from(bytes).reverse() : bytes).toString('hex');
  const whole = BigInt(`0x${hex || '0'}`);
  if (signal.byteOrder === 'little') return (whole >> BigInt(signal.startBit)) & mask;
  const byte = Math.floor(signal.startBit / 8);
  const weightOfMost = 8 * (bytes.length - 1 - byte) + (signal.startBit % 8);
  return (whole >> BigInt(weightOfMost - signal.bitLength + 1)) & mask;
}

/** Samples of one frame whose length fits. */
export function slowDecode(frame: Frame, bytes: Uint8Array): SlowSample[] {
  return frame.signals.filter((signal) => isPresent(frame, signal, bytes)).map((signal) => sample(signal, slowPattern(bytes, signal)));
}

function sample(signal: Signal, pattern: bigint): SlowSample {
  const { channel, factor, offset, min, max } = signal;
  if (matches(signal.fault, pattern)) return { channel, value: null, quality: 'fault' };
  if (matches(signal.notAvailable, pattern)) return { channel, value: null, quality: 'missing' };
  const value = Number(numberOf(signal, pattern)) * factor + offset;
  if (!Number.isFinite(value)) return { channel, value: null, quality: 'fault' };
  const inside = (min === undefined || value >= min) && (max === undefined || value <= max);
  return { channel, value, quality: inside ? 'ok' : 'out-of-range' };
}

function numberOf(signal: Signal, pattern: bigint): bigint | number {
  const negative = (pattern >> BigInt(signal.bitLength - 1)) & 1n;
  if (signal.sign === 'unsigned') return pattern;
  if (signal.sign === 'signed') return negative ? pattern - (1n << BigInt(signal.bitLength)) : pattern;
  const bytes = Buffer.from(pattern.toString(16).padStart(signal.bitLength / 4, '0'), 'hex');
  return signal.bitLength === 32 ? bytes.readFloatBE() : bytes.readDoubleBE();
}

function isPresent(frame: Frame, signal: Signal, bytes: Uint8Array): boolean {
  return signal.when.every(({ signal: name, ranges }) => {
    const selector = frame.signals.find((other) => other.name === name) as Signal;
    return matches(ranges, slowPattern(bytes, selector));
  });
}

function matches(ranges: RawRange[], pattern: bigint): boolean {
  return ranges.some(({ from, to }) => pattern >= from && pattern <= to);
}
