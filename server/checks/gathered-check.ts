// One of the checks over frames that are handed to it, from a recording or from a live bus: it can be judged at any moment.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { SeriesSet } from '../channels/series.ts';
import { GrowingSeries } from '../collect-series.ts';
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

/** Gathers what a check needs. Memory grows with the frames: `evidence` says how far. Pure. */
export class GatheredCheck {
  readonly check: CheckResult['check'];
  private readonly vehicle: Vehicle;
  private readonly options: JudgeOptions;
  private readonly traffic: TrafficLog;
  /** Absent for the bus check, which needs no channels. */
  private readonly series: GrowingSeries | undefined;

  constructor(check: CheckResult['check'], vehicle: Vehicle, options: JudgeOptions = {}) {
    this.check = check;
    this.vehicle = vehicle;
    this.options = options;
    this.traffic = new TrafficLog(vehicle);
    this.series = check === 'bus' ? undefined : new GrowingSeries(vehicle);
  }

  /** Frames and samples held. */
  get evidence(): number {
    return this.traffic.frames + (this.series?.samples ?? 0);
  }

  take(batch: FrameBatch): void {
    this.traffic.take(batch);
    this.series?.take(batch);
  }

  /** Time goes on (or the listening begins) without a frame. */
  pass(timeUs: number): void {
    this.traffic.listened(timeUs);
    this.series?.pass(timeUs);
  }

  /** No more frames will come. */
  finish(): void {
    this.series?.finish();
  }

  /** The verdicts on what has come so far. Never throws. */
  judge(): CheckResult {
    const { check, vehicle, traffic, options } = this;
    if (check === 'bus' || !this.series) return checkBus(traffic);
    return judges[check](this.series.toSeriesSet(), vehicle, traffic, options);
  }
}

const judges: Record<
  Exclude<CheckResult['check'], 'bus'>,
  (series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog, options: JudgeOptions) => CheckResult
> = {
  'key-on': (series, vehicle) => checkKeyOn(series, vehicle),
  probes: (series, vehicle, _traffic, options) => checkProbes(series, vehicle, options.order),
  'first-start': (series, vehicle, traffic) => checkFirstStart(series, vehicle, traffic),
};
