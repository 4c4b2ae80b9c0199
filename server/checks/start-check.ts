// What every question about a start works from: the recording, the vehicle, the limits in force, and the answer being written. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { TrafficLog } from './bus-traffic.ts';
import { withUsersLimits } from './check-limits.ts';
import { type Bout, findBouts } from './engine-run.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';

export class StartCheck {
  readonly series: SeriesSet;
  readonly vehicle: Vehicle;
  readonly traffic: TrafficLog;
  readonly result: CheckResult;
  readonly limits: LimitsOf<'first-start'>;
  readonly bouts: Bout[];
  /** The start that decides: the last turn of the engine with fuel and spark. */
  readonly start: Bout | undefined;

  constructor(series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog) {
    this.series = series;
    this.vehicle = vehicle;
    this.traffic = traffic;
    const seconds = (series.endUs - series.startUs) / 1e6;
    this.result = { check: 'first-start', frames: series.frames, seconds, verdicts: [], notJudged: [] };
    this.limits = withUsersLimits('first-start', vehicle, this.result);
    this.bouts = findBouts(series, vehicle);
    this.start = this.bouts.filter((bout) => !bout.dry || bout.runsUs !== undefined).at(-1);
  }

  add(verdict: Verdict): void {
    this.result.verdicts.push(verdict);
  }

  notJudged(what: string, line: string): void {
    this.result.notJudged?.push({ what, line });
  }

  /** Seconds from the first frame. */
  at(timeUs: number): number {
    return Math.round(timeUs - this.series.startUs) / 1e6;
  }
}

export function round(value: number, digits = 1): number {
  return Number(value.toFixed(digits));
}
