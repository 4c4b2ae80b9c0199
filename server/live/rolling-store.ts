// The live memory of all channels: newest values, and min/max bins of the last minutes at a few widths. Live plots come from here.

import { hasValue, quality } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import { binHeld, binNone, emptyTrace, type PlotTrace } from '../contract/packet.ts';
import { rollingStoreBytesMax } from '../limits.ts';

/** Width of the narrowest bins: an instant. */
const narrowestUs = 10_000;
/** Widths kept, each four times the one before: 10 ms to 2.56 s. Widths between are folded from the next narrower one, which is exact. */
const levels = 5;
const levelFactor = 4;
/** Bins kept of each width: 20 s of the narrowest, 87 minutes of the widest; fewer where there are very many channels. */
const binsPerLevelMax = 2048;
const binsPerLevelMin = 512;
const binBytes = 17;
const foldedWidths = levels * 2;
/** Added in the rings to a quality that no sample of the bin had, but the one before it. */
const unsampled = 8;

/** Where bins of a width come from: `fold` bins of a level make one. */
interface Rung {
  level: number;
  fold: number;
}

function rungOf(widthUs: number): Rung | undefined {
  for (let k = 0; k < foldedWidths; k++) {
    if (narrowestUs * 2 ** k === widthUs) return { level: k >> 1, fold: 1 + (k & 1) };
  }
  return undefined;
}

/**
 * Width of the bins that a plot of this span and size gets: the narrowest of 10 ms × 2^k that needs no more bins than pixels and is
 * held that long. The same for whoever asks, and bins lie at multiples of it in session time, so that their content is the same too.
 */
export function binWidthUs(spanUs: number, pixels: number, binsPerLevel = binsPerLevelMax): number {
  for (let k = 0; k < foldedWidths; k++) {
    const widthUs = narrowestUs * 2 ** k;
    const heldUs = narrowestUs * levelFactor ** (k >> 1) * (binsPerLevel - 1);
    if (widthUs * pixels >= spanUs && heldUs >= spanUs) return widthUs;
  }
  return narrowestUs * 2 ** (foldedWidths - 1);
}

/** Bins of each width that so many channels leave room for. */
function binsFor(channels: number): number {
  let bins = binsPerLevelMax;
  while (bins > binsPerLevelMin && channels * levels * bins * binBytes > rollingStoreBytesMax) bins /= 2;
  return bins;
}

/** True for the widths that `bins` knows. */
export function isBinWidth(widthUs: number): boolean {
  return rungOf(widthUs) !== undefined;
}

export class RollingStore {
  readonly channels: number;
  /** Newest number of each channel; means something where the quality carries a number. */
  readonly value: Float64Array;
  readonly quality: Uint8Array;
  /** Session time of the newest sample; -1: none yet. */
  readonly sampleTimeUs: Float64Array;
  /** Extremes of the samples since `beginTick`; low above high: none with a number. */
  readonly tickLow: Float64Array;
  readonly tickHigh: Float64Array;
  /** Oldest session time that a sample since `beginTick` fell on: bins from there on may have changed. */
  changedFromUs = Number.POSITIVE_INFINITY;
  /** Session time up to which everything has been applied. */
  timeUs = 0;
  private readonly bySlot: (ChannelBins | undefined)[];
  private readonly binsPerLevel: number;

  constructor(channels: number) {
    this.channels = channels;
    this.binsPerLevel = binsFor(channels);
    this.value = new Float64Array(channels);
    this.quality = new Uint8Array(channels).fill(quality.missing);
    this.sampleTimeUs = new Float64Array(channels).fill(-1);
    this.tickLow = new Float64Array(channels).fill(Number.POSITIVE_INFINITY);
    this.tickHigh = new Float64Array(channels).fill(Number.NEGATIVE_INFINITY);
    this.bySlot = new Array(channels).fill(undefined);
  }

  /** Takes samples in the order in which they came to be; a late one goes into the bin of its time. */
  append(batch: SampleBatch): void {
    const { channel, timeUs, value, quality: code } = batch;
    for (let i = 0; i < batch.count; i++) this.add(channel[i] as number, timeUs[i] as number, value[i] as number, code[i] as number);
  }

  /** One sample, or (going stale) a change of state without one. */
  add(channel: number, timeUs: number, value: number, code: number): void {
    if (timeUs < this.changedFromUs) this.changedFromUs = timeUs;
    if (timeUs > this.timeUs) this.timeUs = timeUs;
    if (hasValue(code)) {
      if (value < (this.tickLow[channel] as number)) this.tickLow[channel] = value;
      if (value > (this.tickHigh[channel] as number)) this.tickHigh[channel] = value;
    }
    let bins = this.bySlot[channel];
    if (!bins) {
      bins = new ChannelBins(this.binsPerLevel);
      this.bySlot[channel] = bins;
    }
    if (!bins.add(timeUs, value, code)) return;
    this.value[channel] = value;
    this.quality[channel] = code;
    if (code !== quality.stale) this.sampleTimeUs[channel] = timeUs;
  }

  /** Everything up to this session time has been applied, samples or not. */
  advance(timeUs: number): void {
    if (timeUs > this.timeUs) this.timeUs = timeUs;
  }

  /** Forgets the extremes and the changes of the tick before. */
  beginTick(): void {
    this.tickLow.fill(Number.POSITIVE_INFINITY);
    this.tickHigh.fill(Number.NEGATIVE_INFINITY);
    this.changedFromUs = Number.POSITIVE_INFINITY;
  }

  /** `binWidthUs`, as far as this store holds bins. */
  widthFor(spanUs: number, pixels: number): number {
    return binWidthUs(spanUs, pixels, this.binsPerLevel);
  }

  /** Number of the bin of this width that holds `timeUs`, the newest by default. */
  binAt(widthUs: number, timeUs = this.timeUs): number {
    return Math.floor(timeUs / widthUs);
  }

  /**
   * `count` bins from bin `first` on, of a width for which `isBinWidth` holds. Bins later than `timeUs` or no longer held are `binNone`.
   * @throws RangeError for another width.
   */
  bins(channel: number, widthUs: number, first: number, count: number): PlotTrace {
    const rung = rungOf(widthUs);
    if (!rung) throw new RangeError(`no bins of ${widthUs} us are kept`);
    const trace = emptyTrace(channel, count);
    const from = this.bySlot[channel];
    if (!from) return trace;
    const newest = this.binAt(widthUs);
    for (let i = 0; i < count; i++) {
      if (first + i > newest) break;
      const narrow = (first + i) * rung.fold;
      from.read(rung.level, narrow, trace, i);
      if (rung.fold === 2 && (first + i < newest || this.binAt(widthUs / 2) > narrow)) from.read(rung.level, narrow + 1, trace, i);
      if ((trace.quality[i] as number) >= unsampled) trace.quality[i] = (trace.quality[i] as number) - unsampled;
    }
    return trace;
  }
}

/** One channel's bins: a ring for each level, side by side in three columns. */
class ChannelBins {
  private readonly size: number;
  private readonly low: Float64Array;
  private readonly high: Float64Array;
  private readonly code: Uint8Array;
  /** Newest bin begun in each level; -1: none. */
  private readonly head = new Float64Array(levels).fill(-1);
  /** What bins without a sample are after the newest one: `binHeld`, or a quality without a number marked as `unsampled`. */
  private carried: number = binNone;
  private newestUs = -1;

  constructor(binsPerLevel: number) {
    this.size = binsPerLevel;
    this.low = new Float64Array(levels * binsPerLevel).fill(Number.POSITIVE_INFINITY);
    this.high = new Float64Array(levels * binsPerLevel).fill(Number.NEGATIVE_INFINITY);
    this.code = new Uint8Array(levels * binsPerLevel).fill(binNone);
  }

  /** False for a late sample: it belongs to the bins of its time, and doesn't decide what is newest or what follows. */
  add(timeUs: number, value: number, code: number): boolean {
    let widthUs = narrowestUs;
    for (let level = 0; level < levels; level++) {
      this.addTo(level, Math.floor(timeUs / widthUs), value, code);
      widthUs *= levelFactor;
    }
    if (timeUs < this.newestUs) return false;
    this.newestUs = timeUs;
    this.carried = hasValue(code) ? binHeld : unsampled + code;
    return true;
  }

  private addTo(level: number, bin: number, value: number, code: number): void {
    const head = this.head[level] as number;
    if (bin > head) this.moveHead(level, head, bin);
    else if (bin <= head - this.size) return;
    const slot = level * this.size + (bin % this.size);
    const had = this.code[slot] as number;
    if (had >= binHeld || code > had) this.code[slot] = code;
    if (hasValue(code)) {
      if (value < (this.low[slot] as number)) this.low[slot] = value;
      if (value > (this.high[slot] as number)) this.high[slot] = value;
    }
  }

  private moveHead(level: number, head: number, bin: number): void {
    const from = head < 0 ? bin : Math.max(head + 1, bin - this.size + 1);
    for (let b = from; b <= bin; b++) {
      const slot = level * this.size + (b % this.size);
      this.low[slot] = Number.POSITIVE_INFINITY;
      this.high[slot] = Number.NEGATIVE_INFINITY;
      this.code[slot] = b < bin ? this.carried : binNone;
    }
    this.head[level] = bin;
  }

  /** Folds bin `bin` of a level into bin `i` of `trace`. */
  read(level: number, bin: number, trace: PlotTrace, i: number): void {
    const head = this.head[level] as number;
    if (bin > head) {
      trace.quality[i] = foldedCode(trace.quality[i] as number, head < 0 ? binNone : this.carried);
      return;
    }
    if (bin < 0 || bin <= head - this.size) return;
    const slot = level * this.size + (bin % this.size);
    trace.quality[i] = foldedCode(trace.quality[i] as number, this.code[slot] as number);
    if ((this.low[slot] as number) < (trace.low[i] as number)) trace.low[i] = this.low[slot] as number;
    if ((this.high[slot] as number) > (trace.high[i] as number)) trace.high[i] = this.high[slot] as number;
  }
}

/** Of two neighbouring bins: the worst sample's quality; with no sample in either, what the first one carries. */
function foldedCode(a: number, b: number): number {
  if (a === binNone) return b;
  if (a < binHeld && b < binHeld) return Math.max(a, b);
  return Math.min(a, b);
}
