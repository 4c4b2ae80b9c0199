// The state in which a pull began, and whether the engine is back in it: ready for the next pull. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { medianOf, medianWithin, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { findUsualChannel } from './usual-channels.ts';

/** °C; null where there is no such channel, or it gave no good number. `exhaust` is the median of the probes. */
export interface StartState {
  oil: number | null;
  coolant: number | null;
  intake: number | null;
  fuel: number | null;
  exhaust: number | null;
}

export type StartItem = keyof StartState;

export const startItems: readonly StartItem[] = ['oil', 'coolant', 'intake', 'fuel', 'exhaust'];

/** Half width of the window around the first pull's start, K. Common practice, no source. */
export const startWindowK: Readonly<Record<StartItem, number>> = { oil: 5, coolant: 5, intake: 5, fuel: 5, exhaust: 30 };

/** Channel of each; exhaust temperatures are many. */
export function startChannels(vehicle: Vehicle): Record<Exclude<StartItem, 'exhaust'>, string | undefined> {
  const roles = vehicle.engine?.roles;
  return {
    oil: roles?.oilTemp,
    coolant: roles?.coolantTemp,
    intake: findUsualChannel(vehicle, 'intakeTemp'),
    fuel: findUsualChannel(vehicle, 'fuelTemp'),
  };
}

/** It is read over so long before the pull: probes and fuel don't jump, their sensors do. */
export const startReadForUs = 1_500_000;

/** Medians over the 1.5 s before `fromUs`, time of the recording. */
export function readStartState(series: SeriesSet, vehicle: Vehicle, fromUs: number): StartState {
  const at = (channel: string | undefined): number | null => {
    const watched = watch(series, channel, 'degC', 'bad');
    const value = watched && medianWithin(watched, fromUs - startReadForUs, fromUs);
    return value === undefined ? null : Math.round(value * 10) / 10;
  };
  const { oil, coolant, intake, fuel } = startChannels(vehicle);
  const probes = (vehicle.engine?.exhaustTemps ?? []).flatMap(({ channel }) => at(channel) ?? []);
  return { oil: at(oil), coolant: at(coolant), intake: at(intake), fuel: at(fuel), exhaust: medianOf(probes) ?? null };
}

/** One temperature beside its window. */
export interface ReadyItem {
  what: StartItem;
  now: number | null;
  low: number;
  high: number;
  /** Null: it can't be told, since it gives no good number now. */
  ok: boolean | null;
}

export interface Readiness {
  /** Null: there is no first pull to compare with, or something can't be told. An unknown never looks ready. */
  ready: boolean | null;
  items: ReadyItem[];
}

/** @param first Start of the evening's first pull; undefined before it. */
export function judgeReadiness(first: StartState | undefined, now: StartState): Readiness {
  const items = startItems.flatMap((what): ReadyItem[] => {
    const base = first?.[what];
    if (base === null || base === undefined) return [];
    const [low, high] = [base - startWindowK[what], base + startWindowK[what]];
    const value = now[what];
    return [{ what, now: value, low, high, ok: value === null ? null : value >= low && value <= high }];
  });
  if (items.some(({ ok }) => ok === false)) return { ready: false, items };
  return { ready: items.length === 0 || items.some(({ ok }) => ok === null) ? null : true, items };
}
