// The newest of every channel: value, quality, time, and the extremes since the last instant.
import { fromPlain, toPlain } from './plain-numbers.ts';
import { hasValue, quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/**
 * Struct of arrays by channel index. Outside the pipeline it is read only.
 *
 *     value[c]    in the channel's unit; 0 and meaningless where quality[c] carries no number
 *     timeUs[c]   of the newest sample; -1 before the first. Going stale leaves it.
 *     changed[c]  since the last instant: 0 nothing came, 1 a sample or another quality, 2 several samples of a watched channel
 *     low[c], high[c]   extremes of those, where changed[c] is 2; Infinity and -Infinity when none of them had a number
 */
export class ChannelTable {
  readonly count: number;
  readonly value: Float64Array;
  readonly quality: Uint8Array;
  readonly timeUs: Float64Array;
  readonly low: Float64Array;
  readonly high: Float64Array;
  readonly changed: Uint8Array;
  /** The first `changedCount` are the channels whose `changed` isn't 0, in the order in which they first did. */
  readonly changedList: Uint16Array;
  changedCount = 0;
  private readonly watched: Uint8Array;

  constructor(count: number) {
    this.count = count;
    this.value = new Float64Array(count);
    this.quality = new Uint8Array(count).fill(quality.missing);
    this.timeUs = new Float64Array(count).fill(-1);
    this.low = new Float64Array(count);
    this.high = new Float64Array(count);
    this.changed = new Uint8Array(count);
    this.changedList = new Uint16Array(count);
    this.watched = new Uint8Array(count);
  }

  /** From now on the extremes of this channel between instants are kept: somebody looks for spikes. */
  watch(c: number): void {
    this.watched[c] = 1;
  }

  /** Takes samples `from` up to, not including, `to`. */
  applySamples(batch: SampleBatch, from: number, to: number): void {
    const { value, quality: qualities, timeUs, changed, changedList, watched } = this;
    const { channel: channelOf, timeUs: timeOf, value: newValue, quality: qualityOf } = batch;
    let n = this.changedCount;
    for (let i = from; i < to; i++) {
      const c = channelOf[i] as number;
      const v = newValue[i] as number;
      const q = qualityOf[i] as number;
      if (changed[c] === 0) {
        changed[c] = 1;
        changedList[n++] = c;
      } else if (watched[c] !== 0) this.extend(c, v, q);
      value[c] = v;
      qualities[c] = q;
      // A late frame may be older than the channel's last: its value counts, but the channel's time never goes back.
      const t = timeOf[i] as number;
      if (t > (timeUs[c] as number)) timeUs[c] = t;
    }
    this.changedCount = n;
  }

  /** A further sample of a channel since the last instant: with the second one the extremes begin. */
  private extend(c: number, value: number, code: number): void {
    const { changed, low, high } = this;
    if (changed[c] === 1) {
      const held = hasValue(this.quality[c] as number);
      changed[c] = 2;
      low[c] = held ? (this.value[c] as number) : Number.POSITIVE_INFINITY;
      high[c] = held ? (this.value[c] as number) : Number.NEGATIVE_INFINITY;
    }
    if (!hasValue(code)) return;
    if (value < (low[c] as number)) low[c] = value;
    if (value > (high[c] as number)) high[c] = value;
  }

  /** Sets one derived channel at an instant. */
  set(c: number, value: number, code: number, timeUs: number): void {
    this.touch(c);
    this.value[c] = value;
    this.quality[c] = code;
    this.timeUs[c] = timeUs;
  }

  /** Makes a channel stale; its time stays that of the last sample. */
  setStale(c: number): void {
    this.touch(c);
    this.value[c] = 0;
    this.quality[c] = quality.stale;
  }

  /** Ends an instant: nothing has changed since. */
  settle(): void {
    const { changed, changedList } = this;
    for (let i = 0; i < this.changedCount; i++) changed[changedList[i] as number] = 0;
    this.changedCount = 0;
  }

  private touch(c: number): void {
    if (this.changed[c] !== 0) return;
    this.changed[c] = 1;
    this.changedList[this.changedCount++] = c;
  }

  /** Takes over channel `from` of another table, its changes since the last instant included. */
  adopt(c: number, other: ChannelTable, from: number): void {
    this.value[c] = other.value[from] as number;
    this.quality[c] = other.quality[from] as number;
    this.timeUs[c] = other.timeUs[from] as number;
    this.low[c] = other.low[from] as number;
    this.high[c] = other.high[from] as number;
    if (other.changed[from] === 0) return;
    this.touch(c);
    this.changed[c] = other.changed[from] as number;
  }

  save(): unknown {
    const { value, quality: qualities, timeUs, low, high, changed, changedList, changedCount } = this;
    return {
      value: toPlain(value),
      quality: Array.from(qualities),
      timeUs: toPlain(timeUs),
      low: toPlain(low),
      high: toPlain(high),
      changed: Array.from(changedList.subarray(0, changedCount), (c) => [c, changed[c] as number]),
    };
  }

  restore(saved: unknown): void {
    const state = saved as Record<'value' | 'timeUs' | 'low' | 'high', unknown> & { quality: number[]; changed: [number, number][] };
    this.value.set(fromPlain(state.value));
    this.quality.set(state.quality);
    this.timeUs.set(fromPlain(state.timeUs));
    this.low.set(fromPlain(state.low));
    this.high.set(fromPlain(state.high));
    this.changed.fill(0);
    this.changedCount = 0;
    for (const [c, how] of state.changed) {
      this.touch(c);
      this.changed[c] = how;
    }
  }
}
