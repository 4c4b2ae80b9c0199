// The newest of every channel: value, quality, time, and the extremes since the last instant.
import { fromPlain, toPlain } from './plain-numbers.ts';
import { hasValue, quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/**
 * Struct of arrays by channel index. Outside the pipeline it is read only.
 *
 *     value[c]    in the channel's unit; 0 and meaningless where quality[c] carries no number
 *     timeUs[c]   of the newest sample; -1 before the first. Going stale leaves it.
 *     low[c], high[c]   extremes of the samples since the last instant, or where there was none the value held;
 *                       Infinity and -Infinity where there is no number
 */
export class ChannelTable {
  readonly count: number;
  readonly value: Float64Array;
  readonly quality: Uint8Array;
  readonly timeUs: Float64Array;
  readonly low: Float64Array;
  readonly high: Float64Array;
  /** 1 where the channel had a sample, or another quality, since the last instant. */
  readonly changed: Uint8Array;
  /** The first `changedCount` are the channels that have `changed`, in the order in which they first did. */
  readonly changedList: Uint16Array;
  changedCount = 0;

  constructor(count: number) {
    this.count = count;
    this.value = new Float64Array(count);
    this.quality = new Uint8Array(count).fill(quality.missing);
    this.timeUs = new Float64Array(count).fill(-1);
    this.low = new Float64Array(count).fill(Number.POSITIVE_INFINITY);
    this.high = new Float64Array(count).fill(Number.NEGATIVE_INFINITY);
    this.changed = new Uint8Array(count);
    this.changedList = new Uint16Array(count);
  }

  /** Takes samples `from` up to, not including, `to`. */
  applySamples(batch: SampleBatch, from: number, to: number): void {
    const { value, quality: qualities, timeUs, low, high, changed, changedList } = this;
    const { channel: channelOf, timeUs: timeOf, value: newValue, quality: qualityOf } = batch;
    let n = this.changedCount;
    for (let i = from; i < to; i++) {
      const c = channelOf[i] as number;
      const v = newValue[i] as number;
      const q = qualityOf[i] as number;
      if (changed[c] === 0) {
        changed[c] = 1;
        changedList[n++] = c;
        const counts = q <= quality.outOfRange;
        low[c] = counts ? v : Number.POSITIVE_INFINITY;
        high[c] = counts ? v : Number.NEGATIVE_INFINITY;
      } else if (q <= quality.outOfRange) {
        if (v < (low[c] as number)) low[c] = v;
        if (v > (high[c] as number)) high[c] = v;
      }
      value[c] = v;
      qualities[c] = q;
      timeUs[c] = timeOf[i] as number;
    }
    this.changedCount = n;
  }

  /** Sets one derived channel at an instant. */
  set(c: number, value: number, code: number, timeUs: number): void {
    if (this.changed[c] === 0) {
      this.changed[c] = 1;
      this.changedList[this.changedCount++] = c;
    }
    const held = hasValue(code);
    this.value[c] = value;
    this.quality[c] = code;
    this.timeUs[c] = timeUs;
    this.low[c] = held ? value : Number.POSITIVE_INFINITY;
    this.high[c] = held ? value : Number.NEGATIVE_INFINITY;
  }

  /** Makes a channel stale; the extremes of samples since the last instant stay. */
  setStale(c: number): void {
    if (this.changed[c] === 0) {
      this.changed[c] = 1;
      this.changedList[this.changedCount++] = c;
      this.low[c] = Number.POSITIVE_INFINITY;
      this.high[c] = Number.NEGATIVE_INFINITY;
    }
    this.value[c] = 0;
    this.quality[c] = quality.stale;
  }

  /** Ends an instant: nothing has changed since. */
  settle(): void {
    const { changed, changedList, low, high, value, quality: qualities } = this;
    for (let i = 0; i < this.changedCount; i++) {
      const c = changedList[i] as number;
      const held = (qualities[c] as number) <= quality.outOfRange;
      changed[c] = 0;
      low[c] = held ? (value[c] as number) : Number.POSITIVE_INFINITY;
      high[c] = held ? (value[c] as number) : Number.NEGATIVE_INFINITY;
    }
    this.changedCount = 0;
  }

  /** Takes over channel `from` of another table, its changes since the last instant included. */
  adopt(c: number, other: ChannelTable, from: number): void {
    this.value[c] = other.value[from] as number;
    this.quality[c] = other.quality[from] as number;
    this.timeUs[c] = other.timeUs[from] as number;
    this.low[c] = other.low[from] as number;
    this.high[c] = other.high[from] as number;
    if (other.changed[from] === 0) return;
    this.changed[c] = 1;
    this.changedList[this.changedCount++] = c;
  }

  save(): unknown {
    const { value, quality: qualities, timeUs, low, high, changedList, changedCount } = this;
    return {
      value: toPlain(value),
      quality: Array.from(qualities),
      timeUs: toPlain(timeUs),
      low: toPlain(low),
      high: toPlain(high),
      changed: Array.from(changedList.subarray(0, changedCount)),
    };
  }

  restore(saved: unknown): void {
    const state = saved as Record<'value' | 'timeUs' | 'low' | 'high', unknown> & Record<'quality' | 'changed', number[]>;
    this.value.set(fromPlain(state.value));
    this.quality.set(state.quality);
    this.timeUs.set(fromPlain(state.timeUs));
    this.low.set(fromPlain(state.low));
    this.high.set(fromPlain(state.high));
    this.changed.fill(0);
    for (const c of state.changed) this.changed[c] = 1;
    this.changedList.set(state.changed);
    this.changedCount = state.changed.length;
  }
}
