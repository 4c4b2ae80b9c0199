// What a steady hold, or a sweep where there is none, says of each cylinder: exhaust temperatures, and what was arranged how. Pure.

import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, medianOf, medianWithin, slopeWithin, valuesWithin, watch } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from './pulls.ts';

/** One load point, steady but for `isSweep`. Settled temperatures in °C by cylinder; a cylinder whose probe gave no number, or still drifted, is absent: there may be none. */
export interface Hold {
  session: number;
  vehicle: Vehicle;
  from: number;
  to: number;
  /** Read in passing, near the top of a full-load sweep: as sure as the lags of its probes are known. */
  isSweep?: boolean;
  /** Time of the recording over which its temperatures are medians, microseconds. */
  readUs?: { from: number; to: number };
  speedRpm: number;
  /** Manifold pressure, kPa, or without it throttle opening in its channel's unit; undefined when neither gave a number. */
  load: number | undefined;
  temps: Map<number, number>;
  /** Of each of them, how its probe still followed. */
  settling?: Map<number, Settling>;
  /** Injector sets whose pulse was 0: a set-off trial. */
  off: Set<string>;
  /** Share of the fuel that each set gave, 0 to 1; empty when the flow of any set is not known. */
  share: Map<string, number>;
}

/** A probe that hasn't quite settled yet. */
export interface Settling {
  /** How fast it still rose, K/s. */
  slopeKPerS: number;
  /** Added to its reading for that, K: its lag times the slope (first-order probe). 0 where the vehicle file gives no `lag`. */
  addedK: number;
  /** How far off it may still be, K: by half of the lag's band, or by the longest usual lag where none is given. */
  openK: number;
}

/** Time constants that a port's probe usually has under load, where the vehicle file says none. Common practice, no source. */
const usualLagS = { low: 0.3, high: 1.5 };

/** Practice: a hold is read once no probe drifts faster than this. */
const driftMaxKPerS = 5;
const readForUs = 3_000_000;

/** A sweep is read while it passes this part of its highest speed, for as long at least. */
const sweepBandShare = [0.85, 0.95] as const;
const sweepBandMinUs = 500_000;

/** Reads the holds and whole sweeps of one recording. */
export function readHolds(session: number, series: SeriesSet, vehicle: Vehicle, pulls: readonly Pull[]): Hold[] {
  return pulls.flatMap((pull) => {
    if (pull.kind === 'sweep' && !pull.complete) return [];
    return readPull(session, series, vehicle, pull) ?? [];
  });
}

/** The stretch of a hold or sweep that is read. */
function stretchOf(series: SeriesSet, vehicle: Vehicle, { kind, from, to, speedTo }: Pull): { fromUs: number; toUs: number } | undefined {
  const [beginUs, endUs] = [series.startUs + from * 1e6, series.startUs + to * 1e6];
  if (kind === 'hold') {
    const toUs = endUs - 200_000;
    return { fromUs: Math.max(beginUs + 1_000_000, toUs - readForUs), toUs };
  }
  const speed = watch(series, vehicle.engine?.roles.speed, 'rpm');
  if (!speed) return undefined;
  const passes = (share: number) => {
    for (let i = firstAtOrAfter(speed.timeUs, beginUs); i < speed.timeUs.length && (speed.timeUs[i] as number) <= endUs; i++)
      if ((speed.value[i] as number) >= share * speedTo) return speed.timeUs[i] as number;
    return endUs;
  };
  const [fromUs, toUs] = [passes(sweepBandShare[0]), passes(sweepBandShare[1])];
  const short = Math.max(0, sweepBandMinUs - (toUs - fromUs));
  return { fromUs: Math.max(beginUs, fromUs - short / 2), toUs: Math.min(endUs, toUs + short / 2) };
}

function readPull(session: number, series: SeriesSet, vehicle: Vehicle, pull: Pull): Hold | undefined {
  const stretch = stretchOf(series, vehicle, pull);
  if (!stretch) return undefined;
  const { fromUs, toUs } = stretch;
  const isSweep = pull.kind === 'sweep';
  const cut = watch(series, vehicle.engine?.roles.cut, '');
  if (cut && valuesWithin(cut, fromUs, toUs).some((value) => value !== 0)) return undefined;
  const temps = new Map<number, number>();
  const settling = new Map<number, Settling>();
  for (const probe of vehicle.engine?.exhaustTemps ?? []) {
    const temp = watch(series, probe.channel, 'degC', 'bad');
    const slope = temp && slopeWithin(temp, fromUs, toUs);
    const level = temp && medianWithin(temp, fromUs, toUs);
    if (slope === undefined || level === undefined || (!isSweep && Math.abs(slope) >= driftMaxKPerS)) continue;
    const still = toSettling(slope, probe.lagS ?? (isSweep ? usualLagS : undefined));
    settling.set(probe.cylinder, still);
    temps.set(probe.cylinder, level + still.addedK);
  }
  const off = new Set<string>();
  const flows = new Map<string, number>();
  for (const set of vehicle.injectorSets) {
    const pulse = watch(series, set.pulse, 'ms');
    const ms = pulse && medianWithin(pulse, fromUs, toUs);
    if (ms !== undefined && ms <= 0.001) off.add(set.name);
    const flow = watch(series, `flow_${toNamePart(set.name)}`, 'cc/min');
    const ccPerMin = flow && medianWithin(flow, fromUs, toUs);
    if (ccPerMin !== undefined) flows.set(set.name, ccPerMin);
  }
  const total = [...flows.values()].reduce((sum, flow) => sum + flow, 0);
  const isWhole = vehicle.injectorSets.every(({ name }) => flows.has(name));
  const share = new Map(isWhole ? [...flows].map(([name, flow]) => [name, total > 0 ? flow / total : 0]) : []);
  const loadOf = (channel: string | undefined, unit: string | undefined) => {
    const found = watch(series, channel, unit);
    return found && medianWithin(found, fromUs, toUs);
  };
  const load = loadOf(vehicle.engine?.roles.manifoldPressure, 'kPa') ?? loadOf(vehicle.engine?.roles.throttle, undefined);
  const about = { session, vehicle, from: pull.from, to: pull.to, ...(isSweep && { isSweep }), readUs: { from: fromUs, to: toUs } };
  const speedRpm = isSweep ? ((sweepBandShare[0] + sweepBandShare[1]) / 2) * pull.speedTo : (pull.speedFrom + pull.speedTo) / 2;
  return { ...about, speedRpm, load, temps, settling, off, share };
}

/** Probes of one engine lag by different times: what a short hold leaves of that would look like a difference between cylinders. */
function toSettling(slopeKPerS: number, lagS: { low: number; high: number } | undefined): Settling {
  if (!lagS) return { slopeKPerS, addedK: 0, openK: Math.abs(slopeKPerS) * usualLagS.high };
  return { slopeKPerS, addedK: ((lagS.low + lagS.high) / 2) * slopeKPerS, openK: (Math.abs(slopeKPerS) * (lagS.high - lagS.low)) / 2 };
}

/** Holds this near in speed and in load are at one load point. Common practice, no source. */
const sameSpeedShare = 0.06;
const sameLoadShare = 0.1;

/** Number of the load point of each hold: those near the first hold of a point belong to it. */
export function findLoadPoints(holds: readonly Hold[]): number[] {
  const firsts: Hold[] = [];
  return holds.map((hold) => {
    const at = firsts.findIndex(
      (first) =>
        near(first.speedRpm, hold.speedRpm, sameSpeedShare) &&
        (first.load === undefined || hold.load === undefined || near(first.load, hold.load, sameLoadShare)),
    );
    return at >= 0 ? at : firsts.push(hold) - 1;
  });
}

function near(a: number, b: number, share: number): boolean {
  return Math.abs(a - b) <= share * Math.max(Math.abs(a), Math.abs(b));
}

/**
 * Deviation of each cylinder from the median of the others, K: never from the plain mean, which one cold cylinder drags along. Of three,
 * from the median of all: two others have no median that one of them doesn't drag.
 */
export function deviations(temps: ReadonlyMap<number, number>): Map<number, number> {
  const entries = [...temps];
  const all = medianOf([...temps.values()]) ?? 0;
  return new Map(
    entries.map(([cylinder, temp]) => {
      const others = entries.filter(([other]) => other !== cylinder).map(([, value]) => value);
      return [cylinder, temp - (entries.length === 3 ? all : (medianOf(others) ?? temp))];
    }),
  );
}
