// The samples of some channels over the last minutes, for judging what has just been driven.
import type { Channel } from '../channels/channel-list.ts';
import { hasValue } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Series } from '../channels/series.ts';

const firstRows = 1024;

/** One channel's samples in the order in which they came; those older than wanted go when room is needed. */
class Column {
  readonly channel: Channel;
  private timeUs = new Float64Array(firstRows);
  private value = new Float64Array(firstRows);
  private quality = new Uint8Array(firstRows);
  private count = 0;

  constructor(channel: Channel) {
    this.channel = channel;
  }

  push(timeUs: number, value: number, quality: number, keepFromUs: number): void {
    if (this.count === this.timeUs.length) this.makeRoom(keepFromUs);
    this.timeUs[this.count] = timeUs;
    this.value[this.count] = value;
    this.quality[this.count++] = quality;
  }

  /** The newest number; undefined while the channel has none. */
  get now(): number | undefined {
    const last = this.count - 1;
    return last >= 0 && hasValue(this.quality[last] as number) ? this.value[last] : undefined;
  }

  within(fromUs: number, toUs: number): Series {
    let from = 0;
    while (from < this.count && (this.timeUs[from] as number) < fromUs) from++;
    let to = this.count;
    while (to > from && (this.timeUs[to - 1] as number) > toUs) to--;
    const { name, unit } = this.channel;
    return {
      channel: name,
      unit,
      timeUs: this.timeUs.slice(from, to),
      value: this.value.slice(from, to),
      quality: this.quality.slice(from, to),
    };
  }

  private makeRoom(keepFromUs: number): void {
    let from = 0;
    while (from < this.count && (this.timeUs[from] as number) < keepFromUs) from++;
    const kept = this.count - from;
    const size = kept > this.timeUs.length / 2 ? this.timeUs.length * 2 : this.timeUs.length;
    const moved = <A extends Float64Array | Uint8Array>(old: A, next: A): A => {
      next.set(old.subarray(from, this.count));
      return next;
    };
    this.timeUs = moved(this.timeUs, new Float64Array(size));
    this.value = moved(this.value, new Float64Array(size));
    this.quality = moved(this.quality, new Uint8Array(size));
    this.count = kept;
  }
}

export class HeldSamples {
  private readonly byIndex: (Column | undefined)[];
  private readonly byName: Map<string, Column>;
  private readonly heldUs: number;
  private newestUs = 0;

  /** @param heldUs At least so much is held. */
  constructor(channels: readonly Channel[], heldUs: number) {
    const columns = channels.map((channel) => new Column(channel));
    this.byIndex = [];
    for (const column of columns) this.byIndex[column.channel.index] = column;
    this.byName = new Map(columns.map((column) => [column.channel.name, column]));
    this.heldUs = heldUs;
  }

  take({ channel, timeUs, value, quality, count }: SampleBatch): void {
    for (let i = 0; i < count; i++) {
      const column = this.byIndex[channel[i] as number];
      if (!column) continue;
      const at = timeUs[i] as number;
      if (at > this.newestUs) this.newestUs = at;
      column.push(at, value[i] as number, quality[i] as number, this.newestUs - this.heldUs);
    }
  }

  /** The channel's newest number and its unit; undefined while it has none. */
  now(name: string): { value: number; unit: string } | undefined {
    const column = this.byName.get(name);
    const value = column?.now;
    return column && value !== undefined ? { value, unit: column.channel.unit } : undefined;
  }

  /** Copies. */
  within(fromUs: number, toUs: number): Series[] {
    return [...this.byName.values()].map((column) => column.within(fromUs, toUs));
  }
}
