// What one session tells of the engine's history: starts, runs, probes at rest, leak-down, lags. Small enough to be kept of every session. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { withUsersLimits } from '../checks/check-limits.ts';
import { findBouts } from '../checks/engine-run.ts';
import { checkRestingProbes } from '../checks/resting-probes.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { findLeakDowns, type LeakDown } from './leak-down.ts';
import { estimateLags, type ProbeLag } from './probe-lag.ts';
import { digestRun, type RunDigest } from './runs.ts';
import { digestStart, type StartDigest, temperatureAt } from './starts.ts';

/** Which probe was in which hole. */
export interface FittedProbe {
  cylinder: number;
  channel: string;
  /** The probe itself; null where the file doesn't name it. */
  probe: string | null;
}

/** Probes beside each other before the engine turned, cold-soaked. */
export interface SoakDigest {
  /** From the median of the others, K. */
  probes: (FittedProbe & { offK: number })[];
}

export interface SessionDigest {
  probes: FittedProbe[];
  starts: StartDigest[];
  runs: RunDigest[];
  /** Null: the engine was not cold-soaked, or it turned at once. */
  soak: SoakDigest | null;
  leaks: LeakDown[];
  lags: ProbeLag[];
  /** Coolant, oil or probes at the first frames: whether it had cooled since the session before. */
  restC: number | null;
}

/** Raised when what a digest holds is judged otherwise: kept ones are made anew. */
export const digestVersion = 2;

export function digestSession(series: SeriesSet, vehicle: Vehicle): SessionDigest {
  const bouts = findBouts(series, vehicle);
  const probes = (vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, channel, probe }) => ({ cylinder, channel, probe: probe ?? null }));
  const turnsUs = bouts[0]?.fromUs ?? series.endUs;
  return {
    probes,
    starts: bouts.filter(({ dry, runsUs }) => !dry || runsUs !== undefined).map((bout) => digestStart(series, vehicle, bout)),
    runs: bouts.flatMap(({ runsUs, toUs }) => (runsUs === undefined ? [] : digestRun(series, vehicle, runsUs, toUs))),
    soak: digestSoak(series, vehicle, probes, turnsUs),
    leaks: findLeakDowns(series, vehicle, turnsUs),
    lags: estimateLags(series, vehicle),
    restC: temperatureAt(series, vehicle, Math.min(turnsUs, series.startUs + 3_000_000)),
  };
}

/** Longer than this is not looked at: the probes are read in the first seconds. */
const restMaxUs = 30_000_000;

/** As the key-on check sees them: it judges them on a cold-soaked engine only. */
function digestSoak(series: SeriesSet, vehicle: Vehicle, probes: readonly FittedProbe[], turnsUs: number): SoakDigest | null {
  const result: CheckResult = { check: 'key-on', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
  const limits = withUsersLimits('key-on', vehicle, result);
  const fromUs = series.startUs;
  checkRestingProbes({
    series,
    vehicle,
    result,
    fromUs,
    toUs: Math.min(turnsUs - 200_000, fromUs + restMaxUs),
    primeUs: undefined,
    limits,
  });
  const verdicts = result.verdicts.filter(({ code }) => code === 'probe-disagrees');
  const found = probes.flatMap((probe) => {
    const offK = verdicts.find(({ cylinder }) => cylinder === probe.cylinder)?.measured;
    return typeof offK === 'number' ? [{ ...probe, offK }] : [];
  });
  return found.length > 1 ? { probes: found } : null;
}
