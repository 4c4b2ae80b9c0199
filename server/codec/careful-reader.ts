// Reads frames of any layout signal by signal, from a table: those of which a sample isn't plainly ok, and layouts that have no plain reader.
import { strict as assert } from 'node:assert';
import { quality } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Frame, RawRange, Signal } from '../definitions/vehicle.ts';
import { leftPosition, toRawRanges } from './bits.ts';

/** Where the bits of a raw value lie. Values of more than 32 bits are read in two parts, the lower 32 bits unsigned. */
interface Place {
  little: boolean;
  signed: boolean;
  bits: number;
  /** The least significant bit: its number for `little`, its `leftPosition` for big. */
  least: number;
}

/** An inclusive range of raw values in two parts; the high ones are 0 for values of at most 32 bits. */
interface PartRange {
  fromHigh: number;
  fromLow: number;
  toHigh: number;
  toLow: number;
}

interface CarefulSignal {
  channel: number;
  place: Place;
  float: boolean;
  factor: number;
  offset: number;
  /** Infinite where the definition says nothing. */
  min: number;
  max: number;
  fault: PartRange[];
  absent: PartRange[];
  /** The signal is in the frame when each of these raw values is among its ranges. */
  when: { place: Place; ranges: PartRange[] }[];
}

/** One layout. */
export interface CarefulLayout {
  /** In their order. */
  signals: CarefulSignal[];
  /** Number of those that are in every frame; the others. */
  always: number;
  conditional: CarefulSignal[];
}

export function toCarefulLayout(frame: Frame): CarefulLayout {
  const signals = frame.signals.map((signal) => toCarefulSignal(signal, frame));
  const conditional = signals.filter(({ when }) => when.length > 0);
  return { signals, always: signals.length - conditional.length, conditional };
}

function toCarefulSignal(signal: Signal, frame: Frame): CarefulSignal {
  return {
    channel: signal.channel,
    place: placeOf(signal),
    float: signal.sign === 'float',
    factor: signal.factor,
    offset: signal.offset,
    min: signal.min ?? Number.NEGATIVE_INFINITY,
    max: signal.max ?? Number.POSITIVE_INFINITY,
    fault: toPartRanges(signal, signal.fault),
    absent: toPartRanges(signal, signal.notAvailable),
    when: signal.when.map(({ signal: name, ranges }) => {
      const selector = frame.signals.find((other) => other.name === name);
      assert(selector && selector !== signal, `selector of ${signal.name} is not another signal of its frame`);
      return { place: placeOf(selector), ranges: toPartRanges(selector, ranges) };
    }),
  };
}

/** How many samples a frame has whose bytes begin at `o`. */
export function countSamples(layout: CarefulLayout, view: DataView, o: number): number {
  let n = layout.always;
  for (const signal of layout.conditional) if (isPresent(signal, view, o)) n++;
  return n;
}

/**
 * Writes the samples of the frame whose bytes begin at `o`, at time `t`, to `out[n]` and behind, where there is room and quality is 0.
 * The bytes are at least as many as the layout's length and padded to whole 32-bit words.
 */
export function readCarefully(layout: CarefulLayout, view: DataView, o: number, t: number, n: number, out: SampleBatch): void {
  for (const signal of layout.signals) {
    if (!isPresent(signal, view, o)) continue;
    out.channel[n] = signal.channel;
    out.timeUs[n] = t;
    const high = highPart(signal.place, view, o);
    const low = lowPart(signal.place, view, o);
    const value = toValue(signal, high, low);
    // Not a number, or beyond what a double holds: v − v is 0 for finite v only.
    if (isAmong(signal.fault, high, low)) setWithout(out, n, quality.fault);
    else if (isAmong(signal.absent, high, low)) setWithout(out, n, quality.missing);
    else if (value - value !== 0) setWithout(out, n, quality.fault);
    else {
      out.value[n] = value;
      if (value < signal.min || value > signal.max) out.quality[n] = quality.outOfRange;
    }
    n++;
  }
}

function setWithout(out: SampleBatch, n: number, code: number): void {
  out.value[n] = 0;
  out.quality[n] = code;
}

const scratch = new DataView(new ArrayBuffer(8));

function toValue({ float, place, factor, offset }: CarefulSignal, high: number, low: number): number {
  if (!float) return (high * 4294967296 + low) * factor + offset;
  if (place.bits === 32) {
    scratch.setUint32(0, low);
    return scratch.getFloat32(0) * factor + offset;
  }
  scratch.setUint32(0, high);
  scratch.setUint32(4, low);
  return scratch.getFloat64(0) * factor + offset;
}

function isPresent({ when }: CarefulSignal, view: DataView, o: number): boolean {
  for (const { place, ranges } of when) if (!isAmong(ranges, highPart(place, view, o), lowPart(place, view, o))) return false;
  return true;
}

function isAmong(ranges: readonly PartRange[], high: number, low: number): boolean {
  for (const { fromHigh, fromLow, toHigh, toLow } of ranges) {
    const fromOn = high > fromHigh || (high === fromHigh && low >= fromLow);
    const upTo = high < toHigh || (high === toHigh && low <= toLow);
    if (fromOn && upTo) return true;
  }
  return false;
}

function highPart({ little, signed, bits, least }: Place, view: DataView, o: number): number {
  if (bits <= 32) return 0;
  return part(view, o, little, little ? least + 32 : least - 32, bits - 32, signed);
}

function lowPart({ little, signed, bits, least }: Place, view: DataView, o: number): number {
  return bits < 32 ? part(view, o, little, least, bits, signed) : part(view, o, little, least, 32, signed && bits === 32);
}

/**
 * `count` (1 to 32) bits from the one at `least` upward, out of one or two 32-bit words.
 *
 *     little:  word k + 1 | word k       the lower bits lie in the lower word
 *     big:     word k − 1 | word k       words loaded big-endian; the lower bits lie in the later word
 */
function part(view: DataView, o: number, little: boolean, least: number, count: number, signed: boolean): number {
  const word = o + (least >> 5) * 4;
  const shift = little ? least & 31 : 31 - (least & 31);
  let bits = view.getInt32(word, little) >>> shift;
  if (shift + count > 32) bits |= view.getInt32(little ? word + 4 : word - 4, little) << (32 - shift);
  const left = bits << (32 - count);
  return signed ? left >> (32 - count) : left >>> (32 - count);
}

function placeOf(signal: Signal): Place {
  const little = signal.byteOrder === 'little';
  return {
    little,
    signed: signal.sign === 'signed',
    bits: signal.bitLength,
    least: little ? signal.startBit : leftPosition(signal.startBit) + signal.bitLength - 1,
  };
}

function toPartRanges(signal: Signal, ranges: readonly RawRange[]): PartRange[] {
  return toRawRanges(signal, ranges).map(({ from, to }) => {
    if (signal.bitLength <= 32) return { fromHigh: 0, fromLow: Number(from), toHigh: 0, toLow: Number(to) };
    return {
      fromHigh: Number(from >> 32n),
      fromLow: Number(from & 0xffffffffn),
      toHigh: Number(to >> 32n),
      toLow: Number(to & 0xffffffffn),
    };
  });
}
