// A whole recording through the pipeline, collected by channel: what checks and dyno judgement work on.
import type { FrameBatch } from './bus/frame-batch.ts';
import type { Channel } from './channels/channel-list.ts';
import type { SampleBatch } from './channels/sample-batch.ts';
import type { Series, SeriesSet } from './channels/series.ts';
import type { Vehicle } from './definitions/vehicle.ts';
import { Pipeline } from './pipeline.ts';

/** Runs frames (in time order) through a pipeline of its own and keeps every sample of every channel, quality included. */
export async function collectSeries(frames: AsyncIterable<FrameBatch> | Iterable<FrameBatch>, vehicle: Vehicle): Promise<SeriesSet> {
  const growing = new GrowingSeries(vehicle);
  for await (const batch of frames) growing.take(batch);
  growing.finish();
  return growing.toSeriesSet();
}

/** Channels of a recording that still grows: frames go in, and the series so far come out at any moment. */
export class GrowingSeries {
  private readonly collected = new SeriesCollector();
  private readonly pipeline: Pipeline;
  private frames = 0;
  private startUs = Number.POSITIVE_INFINITY;
  private endUs = Number.NEGATIVE_INFINITY;

  constructor(vehicle: Vehicle) {
    this.pipeline = new Pipeline(vehicle, { samples: (batch) => this.collected.take(batch), alarm: () => {} });
  }

  /** Samples held: some 17 bytes each. */
  get samples(): number {
    return this.collected.samples;
  }

  take(batch: FrameBatch): void {
    this.frames += batch.count;
    for (let i = 0; i < batch.count; i++) this.reach(batch.timeUs[i] as number);
    this.pipeline.take({ kind: 'frames', batch });
  }

  /** Time goes on without frames up to `timeUs`: what is due grows stale. */
  pass(timeUs: number): void {
    this.reach(timeUs);
    this.pipeline.take({ kind: 'mark', timeUs });
  }

  /** No more frames: runs the first instant at or behind the last. */
  finish(): void {
    this.pipeline.finish();
  }

  /** A copy of everything so far. */
  toSeriesSet(): SeriesSet {
    const series = this.collected.toSeries(this.pipeline.channels);
    const nothing = this.startUs === Number.POSITIVE_INFINITY;
    const span = nothing ? { startUs: 0, endUs: 0 } : { startUs: this.startUs, endUs: this.endUs };
    return { ...span, frames: this.frames, get: (channel) => series.get(channel) };
  }

  private reach(timeUs: number): void {
    if (timeUs < this.startUs) this.startUs = timeUs;
    if (timeUs > this.endUs) this.endUs = timeUs;
  }
}

/** Growing columns of one channel. */
class Columns {
  count = 0;
  timeUs = new Float64Array(64);
  value = new Float64Array(64);
  quality = new Uint8Array(64);

  push(timeUs: number, value: number, quality: number): void {
    if (this.count === this.timeUs.length) this.grow();
    this.timeUs[this.count] = timeUs;
    this.value[this.count] = value;
    this.quality[this.count++] = quality;
  }

  private grow(): void {
    const { timeUs, value, quality } = this;
    this.timeUs = new Float64Array(timeUs.length * 2);
    this.value = new Float64Array(timeUs.length * 2);
    this.quality = new Uint8Array(timeUs.length * 2);
    this.timeUs.set(timeUs);
    this.value.set(value);
    this.quality.set(quality);
  }
}

class SeriesCollector {
  samples = 0;
  private readonly columns: (Columns | undefined)[] = [];

  take(batch: SampleBatch): void {
    this.samples += batch.count;
    for (let i = 0; i < batch.count; i++) {
      const channel = batch.channel[i] as number;
      let columns = this.columns[channel];
      if (!columns) {
        columns = new Columns();
        this.columns[channel] = columns;
      }
      columns.push(batch.timeUs[i] as number, batch.value[i] as number, batch.quality[i] as number);
    }
  }

  toSeries(channels: readonly Channel[]): Map<string, Series> {
    const series = new Map<string, Series>();
    for (const { index, name, unit } of channels) {
      const columns = this.columns[index];
      if (!columns) continue;
      const { count, timeUs, value, quality } = columns;
      series.set(name, {
        channel: name,
        unit,
        timeUs: timeUs.slice(0, count),
        value: value.slice(0, count),
        quality: quality.slice(0, count),
      });
    }
    return series;
  }
}
