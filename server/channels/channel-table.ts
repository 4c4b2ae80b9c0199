// The newest of every channel: value, quality, time, and the extremes since the last instant.
import { ownCopy } from '../own-copy.ts';
import { fromPlain, toPlain } from './plain-numbers.ts';
import { quality } from './quality.ts';
import type { SampleBatch } from './sample-batch.ts';

/** Takes samples `from` up to `to` of these columns; returns the new `changedCount`. */
type Apply = (
  channels: Uint16Array,
  times: Float64Array,
  values: Float64Array,
  qualities: Uint8Array,
  from: number,
  to: number,
  changedCount: number,
) => number;

/** Made once a table by `ownCopy`, because it runs once a sample. `lastWithNumber` is the highest quality that carries one (`hasValue`). */
function makeApply(table: ChannelTable, lastWithNumber: number): Apply {
  const { value, quality, timeUs, low, high, changed, changedList, watched } = table;
  return (channels, times, values, qualities, from, to, changedCount) => {
    let n = changedCount | 0;
    const end = to | 0;
    for (let i = from | 0; i < end; i++) {
      const c = channels[i] as number;
      const v = values[i] as number;
      const q = qualities[i] as number;
      const was = changed[c] as number;
      // Whether it is the first since the last instant, as a number: half of them are, and no processor guesses which.
      const first = (was - 1) >>> 31;
      changedList[n] = c;
      n += first;
      changed[c] = was + first;
      // A further sample of a watched channel: with the second one the extremes begin.
      if ((was & (watched[c] as number)) !== 0) {
        if (was === 1) {
          const held = (quality[c] as number) <= lastWithNumber;
          changed[c] = 2;
          low[c] = held ? (value[c] as number) : Number.POSITIVE_INFINITY;
          high[c] = held ? (value[c] as number) : Number.NEGATIVE_INFINITY;
        }
        if (q <= lastWithNumber) {
          if (v < (low[c] as number)) low[c] = v;
          if (v > (high[c] as number)) high[c] = v;
        }
      }
      value[c] = v;
      quality[c] = q;
      // A late frame may be older than the channel's last: its value counts, but the channel's time never goes back.
      const t = times[i] as number;
      if (t > (timeUs[c] as number)) timeUs[c] = t;
    }
    return n;
  };
}

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
  /** One longer than the channels: the first `changedCount` are those whose `changed` isn't 0, in the order in which they first did. */
  readonly changedList: Uint16Array;
  changedCount = 0;
  /** 3 where somebody looks for spikes, else 0: shares a bit with a `changed` of 1 and of 2. */
  readonly watched: Uint8Array;
  private readonly apply: Apply;

  constructor(count: number) {
    this.count = count;
    this.value = new Float64Array(count);
    this.quality = new Uint8Array(count).fill(quality.missing);
    this.timeUs = new Float64Array(count).fill(-1);
    this.low = new Float64Array(count);
    this.high = new Float64Array(count);
    this.changed = new Uint8Array(count);
    this.changedList = new Uint16Array(count + 1);
    this.watched = new Uint8Array(count);
    this.apply = ownCopy(makeApply)(this, quality.outOfRange);
  }

  /** From now on the extremes of this channel between instants are kept: somebody looks for spikes. */
  watch(c: number): void {
    this.watched[c] = 3;
  }

  /** Takes samples `from` up to, not including, `to`. */
  applySamples(batch: SampleBatch, from: number, to: number): void {
    this.changedCount = this.apply(batch.channel, batch.timeUs, batch.value, batch.quality, from, to, this.changedCount);
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
