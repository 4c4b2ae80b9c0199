// A whole recording through the pipeline, collected by channel: what checks and dyno judgement work on.
import type { FrameBatch } from './bus/frame-batch.ts';
import type { SeriesSet } from './channels/series.ts';
import type { Vehicle } from './definitions/vehicle.ts';

/** Runs frames (in time order) through a pipeline of its own and keeps every sample of every channel, quality included. */
export async function collectSeries(_frames: AsyncIterable<FrameBatch> | Iterable<FrameBatch>, _vehicle: Vehicle): Promise<SeriesSet> {
  throw new Error('not built yet');
}
