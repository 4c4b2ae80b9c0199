// The newest of every channel: value, quality, time, and the extremes since the last instant.
import { hasValue, quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/**
 * Struct of arrays by channel index. Outside the pipeline it is read only.
 *
 *     value[c]    in the channel's unit; 0 and meaningless where quality[c] carries no number
 *     timeUs[c]   of the newest sample; -1 before the first
 *     low[c], high[c]   extremes of the samples since the last instant; equal to the value held when there was none
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
    this.low = new Float64Array(count);
    this.high = new Float64Array(count);
    this.changed = new Uint8Array(count);
    this.changedList = new Uint16Array(count);
  }

  /** Takes samples `from` up to, not including, `to`. */
  applySamples(batch: SampleBatch, from: number, to: number): void {
    const { value, quality, timeUs, low, high, changed, changedList } = this;
    const { channel: channelOf, timeUs: timeOf, value: newValue, quality: qualityOf } = batch;
    let n = this.changedCount;
    for (let i = from; i < to; i++) {
      const c = channelOf[i] as number;
      const v = newValue[i] as number;
      const q = qualityOf[i] as number;
      if (changed[c] === 0) {
        changed[c] = 1;
        changedList[n++] = c;
        low[c] = v;
        high[c] = v;
      } else if (q <= 1) {
        // A sample without a number leaves no extremes; the first one with a number then sets both.
        if ((quality[c] as number) > 1) {
          low[c] = v;
          high[c] = v;
        } else if (v < (low[c] as number)) low[c] = v;
        else if (v > (high[c] as number)) high[c] = v;
      }
      value[c] = v;
      quality[c] = q;
      timeUs[c] = timeOf[i] as number;
    }
    this.changedCount = n;
  }

  /** Sets one channel at an instant (derived channels, staleness). */
  set(c: number, value: number, code: number, timeUs: number): void {
    if (this.changed[c] === 0) {
      this.changed[c] = 1;
      this.changedList[this.changedCount++] = c;
    }
    const held = hasValue(code) ? value : 0;
    this.value[c] = held;
    this.quality[c] = code;
    this.timeUs[c] = timeUs;
    this.low[c] = held;
    this.high[c] = held;
  }

  /** Ends an instant: nothing has changed since. */
  settle(): void {
    for (let i = 0; i < this.changedCount; i++) {
      const c = this.changedList[i] as number;
      this.changed[c] = 0;
      this.low[c] = this.value[c] as number;
      this.high[c] = this.value[c] as number;
    }
    this.changedCount = 0;
  }
}
