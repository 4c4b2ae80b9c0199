// Writes signal values into the bytes of simulated frames: compiled once per signal, since a bench runs hundreds of simulated minutes.
import { placeRaw, toRaw } from '../codec/encoder.ts';
import type { RawRange, Signal } from '../definitions/vehicle.ts';

/** Puts one value into the bytes; NaN is 'the sensor is open'. */
export type WriteValue = (bytes: Uint8Array, value: number) => void;

/** Signals of up to this many bits are written in 32-bit steps; wider ones and floats go through the codec's encoder. */
const fastBitsMax = 32;

/**
 * A signal's writer. The value is rounded to the nearest raw value and held inside what the bits carry, and beside the raw values
 * that mean a fault or not available. An open sensor gives the first fault value, else the first not-available one; where the file
 * names neither, `floats` says what the box shows.
 */
export function compileWriter(signal: Signal, floats: () => number): WriteValue {
  const openRaw = signal.fault[0]?.from ?? signal.notAvailable[0]?.from;
  const write = signal.sign === 'float' || signal.bitLength > fastBitsMax ? wideWriter(signal) : narrowWriter(signal);
  if (openRaw === undefined) return (bytes, value) => write(bytes, Number.isNaN(value) ? floats() : value);
  return (bytes, value) => {
    if (Number.isNaN(value)) placeRaw(bytes, signal, openRaw);
    else write(bytes, value);
  };
}

/** Writes a raw value of up to 32 bits, given as an unsigned number. */
export function compileRawWriter(signal: Signal): (bytes: Uint8Array, raw: number) => void {
  const parts = partsOf(signal);
  return (bytes, raw) => {
    for (let i = 0; i < parts.length; i++) {
      const { byte, shift, mask } = parts[i] as Part;
      const moved = shift >= 0 ? raw >>> shift : raw << -shift;
      bytes[byte] = ((bytes[byte] as number) & ~mask) | (moved & mask);
    }
  };
}

/** The bits of a signal that lie in one byte: `byte & mask` holds `raw >> shift` (to the left where negative). */
interface Part {
  byte: number;
  shift: number;
  mask: number;
}

function partsOf(signal: Signal): Part[] {
  const parts: Part[] = [];
  if (signal.byteOrder === 'little') {
    for (let done = 0; done < signal.bitLength; ) {
      const at = signal.startBit + done;
      const low = at & 7;
      const count = Math.min(8 - low, signal.bitLength - done);
      parts.push({ byte: at >> 3, shift: done - low, mask: ((1 << count) - 1) << low });
      done += count;
    }
    return parts;
  }
  let byte = signal.startBit >> 3;
  let high = signal.startBit & 7;
  for (let left = signal.bitLength; left > 0; ) {
    const count = Math.min(high + 1, left);
    const low = high + 1 - count;
    left -= count;
    parts.push({ byte, shift: left - low, mask: ((1 << count) - 1) << low });
    byte++;
    high = 7;
  }
  return parts;
}

function narrowWriter(signal: Signal): WriteValue {
  const { factor, offset, bitLength } = signal;
  const span = 2 ** bitLength;
  const low = signal.sign === 'signed' ? -span / 2 : 0;
  const high = low + span - 1;
  const reserved = reservedRanges(signal);
  const writeRaw = compileRawWriter(signal);
  return (bytes, value) => {
    let raw = Math.round((value - offset) / factor);
    raw = Math.min(high, Math.max(low, raw));
    if (raw < 0) raw += span;
    for (let i = 0; i < reserved.length; i++) {
      const [from, to] = reserved[i] as [number, number];
      if (raw >= from && raw <= to) raw = from > 0 ? from - 1 : to + 1;
    }
    writeRaw(bytes, raw);
  };
}

/** Ranges of raw values that mean something else than a number, from the highest down, so that stepping below one can meet the next. */
function reservedRanges(signal: Signal): [from: number, to: number][] {
  const ranges: RawRange[] = [...signal.fault, ...signal.notAvailable];
  return ranges.map(({ from, to }): [number, number] => [Number(from), Number(to)]).sort((a, b) => b[0] - a[0]);
}

function wideWriter(signal: Signal): WriteValue {
  return (bytes, value) => placeRaw(bytes, signal, toRaw(signal, value));
}
