// Reads frames of any layout signal by signal, from a table: those of which a sample isn't plainly ok, and layouts without a plain reader.
import { strict as assert } from 'node:assert';
import { quality } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Frame, RawRange, Signal } from '../definitions/vehicle.ts';
import { ownCopy } from '../own-copy.ts';
import { leftPosition, toRawRanges } from './bits.ts';
import { findOkRaws } from './ok-raws.ts';

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

interface TableSignal {
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

/**
 * The signals of all layouts, one behind the other. What nearly every sample needs stands in two columns, a row of eight a signal:
 *
 *     places   channel, byte of the word with its least significant bit, byte of the one with the rest, shift right, then left and right
 *              to cut to its length, 1 for big-endian words, place of the sign bit, 0
 *     scales   factor, offset, ok raw values from, to, except from, to, what a set sign bit takes away (0 for unsigned), 0
 *
 * A signal of which this can't tell whether a sample is ok has no ok raw values here, and is always judged.
 */
export class SignalTable {
  private readonly signals: TableSignal[];
  /** Those of layout k from firstSignal[k] up to firstSignal[k + 1]. */
  private readonly firstSignal: Int32Array;
  /** By layout: the signals that are not in every frame. */
  private readonly conditional: TableSignal[][];
  private readonly readOk: OkReader;

  constructor(frames: readonly Frame[]) {
    this.signals = frames.flatMap((frame) => frame.signals.map((signal) => toTableSignal(signal, frame)));
    let sum = 0;
    this.firstSignal = Int32Array.from([0, ...frames.map((frame) => (sum += frame.signals.length))]);
    this.conditional = frames.map((_, k) => this.signalsOf(k).filter(({ when }) => when.length > 0));
    const all = frames.flatMap((frame) => frame.signals);
    this.readOk = ownCopy(makeOkReader)(Int32Array.from(all.flatMap(placesRow)), Float64Array.from(all.flatMap(scalesRow)));
  }

  /** Samples that every frame of layout `k` has; undefined where it is multiplexed. */
  samplesOf(k: number): number | undefined {
    return this.conditional[k]?.length === 0 ? this.signalsOf(k).length : undefined;
  }

  /** How many samples a frame of layout `k` has whose bytes begin at `o`. */
  countSamples(k: number, view: DataView, o: number): number {
    const conditional = this.conditional[k] as TableSignal[];
    let n = (this.firstSignal[k + 1] as number) - (this.firstSignal[k] as number) - conditional.length;
    for (const signal of conditional) if (isPresent(signal, view, o)) n++;
    return n;
  }

  /**
   * Writes the samples of a frame of layout `k` whose bytes begin at `o`, at time `t`, to place `n` of `out` and behind, where there is
   * room and quality is 0. The bytes are at least as many as the layout's length and padded to whole 32-bit words.
   */
  read(k: number, view: DataView, o: number, t: number, n: number, out: SampleBatch): void {
    const { channel, timeUs, value } = out;
    const end = this.firstSignal[k + 1] as number;
    let s = this.firstSignal[k] as number;
    let at = n;
    while (s < end) {
      const stop = this.readOk(s, end, view, o, t, at, channel, timeUs, value);
      at += stop - s;
      s = stop + 1;
      if (stop < end && judge(this.signals[stop] as TableSignal, view, o, t, at, out)) at++;
    }
  }

  private signalsOf(k: number): TableSignal[] {
    return this.signals.slice(this.firstSignal[k], this.firstSignal[k + 1]);
  }
}

/** Reads signals `s` and behind, up to the first that must be judged; returns its index, or `end`. */
type OkReader = (
  s: number,
  end: number,
  view: DataView,
  o: number,
  t: number,
  n: number,
  channel: Uint16Array,
  timeUs: Float64Array,
  value: Float64Array,
) => number;

/** For `ownCopy`. Calls nothing, and takes no branch that depends on the kind of signal but one: a processor can't guess it. */
function makeOkReader(places: Int32Array, scales: Float64Array): OkReader {
  return (first, end, view, frameAt, t, to, channel, timeUs, value) => {
    const last = end | 0;
    const o = frameAt | 0;
    let s = first | 0;
    let n = to | 0;
    for (; s < last; s++) {
      const p = s << 3;
      const a = o + (places[p + 1] as number);
      const b = o + (places[p + 2] as number);
      const little = places[p + 5] === 0;
      const low = little ? view.getInt32(a, true) : view.getInt32(a, false);
      const rest = little ? view.getInt32(b, true) : view.getInt32(b, false);
      const shift = places[p + 3] as number;
      const cut = places[p + 4] as number;
      const pattern = (((low >>> shift) | ((rest << 1) << (31 - shift))) << cut) >>> cut;
      const raw = pattern - (pattern >>> (places[p + 6] as number)) * (scales[p + 6] as number);
      if (!(raw >= (scales[p + 2] as number) && raw <= (scales[p + 3] as number))) break;
      if (raw >= (scales[p + 4] as number) && raw <= (scales[p + 5] as number)) break;
      channel[n] = places[p] as number;
      timeUs[n] = t;
      value[n] = raw * (scales[p] as number) + (scales[p + 1] as number);
      n++;
    }
    return s;
  };
}

/** Writes the sample of any signal, whatever its raw value; false when it isn't in the frame. */
function judge(signal: TableSignal, view: DataView, o: number, t: number, n: number, out: SampleBatch): boolean {
  if (!isPresent(signal, view, o)) return false;
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
  return true;
}

function setWithout(out: SampleBatch, n: number, code: number): void {
  out.value[n] = 0;
  out.quality[n] = code;
}

const scratch = new DataView(new ArrayBuffer(8));

function toValue({ float, place, factor, offset }: TableSignal, high: number, low: number): number {
  if (!float) return (high * 4294967296 + low) * factor + offset;
  if (place.bits === 32) {
    scratch.setUint32(0, low);
    return scratch.getFloat32(0) * factor + offset;
  }
  scratch.setUint32(0, high);
  scratch.setUint32(4, low);
  return scratch.getFloat64(0) * factor + offset;
}

function isPresent({ when }: TableSignal, view: DataView, o: number): boolean {
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

function toTableSignal(signal: Signal, frame: Frame): TableSignal {
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

function placesRow(signal: Signal): number[] {
  const { little, bits, least } = placeOf(signal);
  const shift = little ? least & 31 : 31 - (least & 31);
  const word = (least >> 5) * 4;
  const isWithin = shift + Math.min(bits, 32) <= 32;
  const rest = isWithin ? word : little ? word + 4 : word - 4;
  return [signal.channel, word, rest, shift, 32 - Math.min(bits, 32), little ? 0 : 1, Math.min(bits, 32) - 1, 0];
}

function scalesRow(signal: Signal): number[] {
  const ok = signal.when.length === 0 ? findOkRaws(signal) : undefined;
  const [hole, second] = ok?.holes ?? [];
  const { factor, offset, sign, bitLength } = signal;
  const [from, to] = ok && !second ? [ok.from, ok.to] : [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  const [exceptFrom, exceptTo] = hole ? [hole.from, hole.to] : [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  return [factor, offset, from, to, exceptFrom, exceptTo, sign === 'signed' ? 2 ** bitLength : 0, 0];
}
