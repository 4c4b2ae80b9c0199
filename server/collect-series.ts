// A whole recording through the pipeline, collected by channel: what checks and dyno judgement work on.
import type { FrameBatch } from './bus/frame-batch.ts';
import type { Channel } from './channels/channel-list.ts';
import type { SampleBatch } from './channels/sample-batch.ts';
import type { Series, SeriesSet } from './channels/series.ts';
import type { Vehicle } from './definitions/vehicle.ts';
import { Pipeline } from './pipeline.ts';

/** Runs frames (in time order) through a pipeline of its own and keeps every sample of every channel, quality included. */
export async function collectSeries(frames: AsyncIterable<FrameBatch> | Iterable<FrameBatch>, vehicle: Vehicle): Promise<SeriesSet> {
  const collected = new SeriesCollector();
  const pipeline = new Pipeline(vehicle, { samples: (batch) => collected.take(batch), alarm: () => {} });
  let count = 0;
  let startUs = Number.POSITIVE_INFINITY;
  let endUs = Number.NEGATIVE_INFINITY;
  for await (const batch of frames) {
    count += batch.count;
    for (let i = 0; i < batch.count; i++) {
      const t = batch.timeUs[i] as number;
      if (t < startUs) startUs = t;
      if (t > endUs) endUs = t;
    }
    pipeline.take({ kind: 'frames', batch });
  }
  pipeline.finish();
  const series = collected.toSeries(pipeline.channels);
  const span = count === 0 ? { startUs: 0, endUs: 0 } : { startUs, endUs };
  return { ...span, frames: count, get: (channel) => series.get(channel) };
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
  private readonly columns: (Columns | undefined)[] = [];

  take(batch: SampleBatch): void {
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
