// Everything that is said of a pull once it is over: profile, gas estimate, margins, fuel demand, start, power, and the pull before it. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { type FuelDemand, judgeFuelDemand } from './fuel-demand.ts';
import { estimateGasPeaks, type GasPeak } from './gas-peaks.ts';
import { findPowerCurve, type PlacedLog, type PowerCurve, type TypedAir } from './power-curve.ts';
import { measurePull, type PullMeasures, type PullProfile, profilePull } from './pull-profile.ts';
import type { Pull } from './pulls.ts';
import { readStartState, type StartState } from './start-state.ts';

/** To each limit of the vehicle file at the pull's worst moment; null without such a limit, or without a number. */
export interface Margins {
  /** Least of all cylinders, K. */
  exhaustK: number | null;
  spreadK: number | null;
  /** Least of all sets, %. */
  dutyPercent: number | null;
}

/** Beside the last complete pull of its kind before it, at equal engine speed; plus is more now. */
export interface BesideBefore {
  /** Place of that pull among those of the session, from 0. */
  before: number;
  bands: { speed: number; spreadK: number | null; rmsK: number | null }[];
  /** Of the peaks, by cylinder. */
  peaks: { cylinder: number; kelvin: number | null }[];
}

export interface PullSummary<P extends Pull = Pull> {
  pull: P;
  profile: PullProfile;
  /** What the profile was made of. */
  measures: PullMeasures;
  /** Lag-corrected peaks: an estimate, never held against a limit. */
  gas: GasPeak[];
  margins: Margins;
  demand: FuelDemand[];
  start: StartState;
  power: PowerCurve | undefined;
  beside: BesideBefore | undefined;
}

export interface SummaryParts {
  series: SeriesSet;
  vehicle: Vehicle;
  air: TypedAir;
  logs: readonly PlacedLog[];
}

/** Of all pulls of a session, in time order. */
export function summarisePulls<P extends Pull>(parts: SummaryParts, pulls: readonly P[]): PullSummary<P>[] {
  const summaries = pulls.map((pull, i) => summarisePull(parts, pull, pulls[i + 1]?.from));
  return summaries.map((summary, i) => ({ ...summary, beside: besideBefore(summaries, i) }));
}

/** @param nextFrom Where the next pull begins: a peak from there on is not this one's. `beside` is left open. */
export function summarisePull<P extends Pull>({ series, vehicle, air, logs }: SummaryParts, pull: P, nextFrom?: number): PullSummary<P> {
  const measures = measurePull(series, vehicle, pull);
  const profile = profilePull(series, vehicle, pull, nextFrom, measures);
  const demand = judgeFuelDemand(series, vehicle, pull);
  return {
    pull,
    profile,
    measures,
    gas: estimateGasPeaks(series, vehicle, pull),
    margins: marginsOf(profile, demand, vehicle),
    demand,
    start: readStartState(series, vehicle, series.startUs + pull.from * 1e6),
    power: findPowerCurve(series, vehicle, pull, air, logs),
    beside: undefined,
  };
}

function marginsOf({ peaks, bands }: PullProfile, demand: readonly FuelDemand[], { limits }: Vehicle): Margins {
  const least = (values: (number | null)[]): number | null => {
    const known = values.filter((value) => value !== null);
    return known.length === 0 ? null : Number(Math.min(...known).toFixed(1));
  };
  const { exhaustSpreadK, dutyPercent } = limits;
  return {
    exhaustK: least(peaks.map(({ marginK }) => marginK)),
    spreadK: exhaustSpreadK === undefined ? null : least(bands.map(({ spreadK }) => (spreadK === null ? null : exhaustSpreadK - spreadK))),
    dutyPercent: dutyPercent === undefined ? null : least(demand.map(({ dutyMax }) => (dutyMax === null ? null : dutyPercent - dutyMax))),
  };
}

/** Undefined without a complete one of its kind before it. */
export function besideBefore(summaries: readonly Pick<PullSummary, 'profile'>[], at: number): BesideBefore | undefined {
  const now = summaries[at]?.profile;
  const before = summaries.slice(0, at).findLastIndex(({ profile }) => profile.kind === now?.kind && profile.complete);
  const last = summaries[before]?.profile;
  if (!now || !last) return undefined;
  const less = (a: number | null | undefined, b: number | null | undefined) =>
    a === null || a === undefined || b === null || b === undefined ? null : Number((a - b).toFixed(1));
  const bands = now.bands.flatMap(({ speed, spreadK, rmsK }) => {
    const same = last.bands.find((band) => band.speed === speed);
    return same ? [{ speed, spreadK: less(spreadK, same.spreadK), rmsK: less(rmsK, same.rmsK) }] : [];
  });
  const peaks = now.peaks.map(({ cylinder, peakC }) => ({
    cylinder,
    kelvin: less(peakC, last.peaks.find((peak) => peak.cylinder === cylinder)?.peakC),
  }));
  return { before, bands, peaks };
}
