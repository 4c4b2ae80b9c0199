// Runs one of the checks over a recording's frames.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { SeriesSet } from '../channels/series.ts';
import { collectSeries } from '../collect-series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { checkBus } from './bus-check.ts';
import { TrafficLog } from './bus-traffic.ts';
import { checkFirstStart } from './first-start.ts';
import { checkKeyOn } from './key-on.ts';
import { checkProbes } from './probe-check.ts';
import type { CheckResult } from './verdict.ts';

export interface JudgeOptions {
  /** Probe check: cylinders in the order in which their probes were warmed; from 1 upward when not given. */
  order?: number[];
}

/** Judges frames in time order; rejects only when reading them does. */
export async function judgeRecording(
  check: CheckResult['check'],
  frames: AsyncIterable<FrameBatch>,
  vehicle: Vehicle,
  options: JudgeOptions,
): Promise<CheckResult> {
  const traffic = new TrafficLog(vehicle);
  if (check === 'bus') {
    for await (const batch of frames) traffic.take(batch);
    return checkBus(traffic);
  }
  const series = await collectSeries(watched(frames, traffic), vehicle);
  return judges[check](series, vehicle, traffic, options);
}

const judges: Record<
  Exclude<CheckResult['check'], 'bus'>,
  (series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog, options: JudgeOptions) => CheckResult
> = {
  'key-on': (series, vehicle) => checkKeyOn(series, vehicle),
  probes: (series, vehicle, _traffic, options) => checkProbes(series, vehicle, options.order),
  'first-start': (series, vehicle, traffic) => checkFirstStart(series, vehicle, traffic),
};

/** Passes frames on and shows them to the traffic log on the way. */
async function* watched(frames: AsyncIterable<FrameBatch>, traffic: TrafficLog): AsyncGenerator<FrameBatch> {
  for await (const batch of frames) {
    traffic.take(batch);
    yield batch;
  }
}
