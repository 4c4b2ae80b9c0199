// What one session tells of the engine's history: starts, runs, probes at rest, leak-down, lags. Small enough to be kept of every session. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { findBouts } from '../checks/engine-run.ts';
import { checkKeyOn } from '../checks/key-on.ts';
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
export const digestVersion = 1;

export function digestSession(series: SeriesSet, vehicle: Vehicle): SessionDigest {
  const bouts = findBouts(series, vehicle);
  const probes = (vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, channel, probe }) => ({ cylinder, channel, probe: probe ?? null }));
  const turnsUs = bouts[0]?.fromUs ?? series.endUs;
  return {
    probes,
    starts: bouts.filter(({ dry, runsUs }) => !dry || runsUs !== undefined).map((bout) => digestStart(series, vehicle, bout)),
    runs: bouts.flatMap(({ runsUs, toUs }) => (runsUs === undefined ? [] : digestRun(series, vehicle, runsUs, toUs))),
    soak: digestSoak(series, vehicle, probes),
    leaks: findLeakDowns(series, vehicle, turnsUs),
    lags: estimateLags(series, vehicle),
    restC: temperatureAt(series, vehicle, Math.min(turnsUs, series.startUs + 3_000_000)),
  };
}

/** As the key-on check sees them: it judges them on a cold-soaked engine only. */
function digestSoak(series: SeriesSet, vehicle: Vehicle, probes: readonly FittedProbe[]): SoakDigest | null {
  const verdicts = checkKeyOn(series, vehicle).verdicts.filter(({ code }) => code === 'probe-disagrees');
  const found = probes.flatMap((probe) => {
    const offK = verdicts.find(({ cylinder }) => cylinder === probe.cylinder)?.measured;
    return typeof offK === 'number' ? [{ ...probe, offK }] : [];
  });
  return found.length > 1 ? { probes: found } : null;
}
