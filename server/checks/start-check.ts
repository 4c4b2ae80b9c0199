// What every question about a start works from: the recording, the vehicle, the limits in force, and the answer being written. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { TrafficLog } from './bus-traffic.ts';
import { withUsersLimits } from './check-limits.ts';
import { type Bout, findBouts } from './engine-run.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/**
 * Limits of the first start. Common practice, no source, where nothing else is said; a nominal voltage of 12 V is meant and others are
 * scaled. Each is the user's to change (docs/checks.md).
 */
export const firstStartLimits = {
  /** Once running: at least this within this time. */
  oilRunningKpa: 70,
  oilRunningWithinS: 3,
  /** Seen while cranking without fuel and spark, if cranked for so long. */
  oilCrankingKpa: 30,
  oilCrankedForS: 4,
  oilLostForMs: 300,
  /** Of the target, and never less than this many kPa. */
  fuelDeltaShare: 0.1,
  fuelDeltaLeastKpa: 25,
  fuelDeltaForMs: 500,
  /** After the engine runs by itself, before its fuel pressure is judged. */
  fuelDeltaAfterS: 1,
  crankingVolts: 9.6,
  crankingForMs: 150,
  chargingFromVolts: 13.2,
  chargingToVolts: 15.2,
  chargingAfterS: 5,
  /** Shorter than this a turn of the starter is no failed start. */
  crankedForS: 1.5,
  /** Starters grow hot: no longer at a time, and so long a rest between. */
  crankedMostS: 10,
  restedS: 60,
} as const;

export class StartCheck {
  readonly series: SeriesSet;
  readonly vehicle: Vehicle;
  readonly traffic: TrafficLog;
  readonly result: CheckResult;
  readonly limits: { [name in keyof typeof firstStartLimits]: number };
  readonly bouts: Bout[];
  /** The start that decides: the last turn of the engine with fuel and spark. */
  readonly start: Bout | undefined;

  constructor(series: SeriesSet, vehicle: Vehicle, traffic: TrafficLog) {
    this.series = series;
    this.vehicle = vehicle;
    this.traffic = traffic;
    const seconds = (series.endUs - series.startUs) / 1e6;
    this.result = { check: 'first-start', frames: series.frames, seconds, verdicts: [], notJudged: [] };
    this.limits = withUsersLimits(firstStartLimits, 'first-start', vehicle, this.result);
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
