// How fuel pressure leaks down behind a prime, and how that compares with last time; never judged alone. Pure.

import type { SeriesSet } from '../channels/series.ts';
import { amount, type Said, said } from '../checks/said.ts';
import { heldFor, medianWithin, type Watched, watch } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';

export interface LeakDown {
  set: string;
  channel: string;
  /** Seconds from the session's first frame: the pump has stopped, and pressure begins to fall. */
  atS: number;
  fromKpa: number;
  /** Pressure so many seconds later, as far as the recording goes before pump or engine start again. */
  marks: { s: number; kpa: number }[];
}

const marksS = [5, 10, 30, 60, 120, 300];
const primedShare = 0.4;
const holdsUs = 5_000_000;
const primeOverUs = 4_000_000;

/** Of each set, behind its last prime before the engine turns. @param toUs The engine turns, or the recording ends. */
export function findLeakDowns(series: SeriesSet, vehicle: Vehicle, toUs: number): LeakDown[] {
  return vehicle.injectorSets.flatMap((set) => findLeakDown(series, set, toUs) ?? []);
}

function findLeakDown(series: SeriesSet, set: InjectorSet, toUs: number): LeakDown | undefined {
  const delta = watch(series, `fuel_delta_${toNamePart(set.name)}`, 'kPa') ?? watch(series, set.rail, 'kPa');
  if (!delta || set.targetKpa === undefined) return undefined;
  const primed = heldFor(delta, series.startUs, toUs, 300_000, (kpa) => kpa > primedShare * (set.targetKpa as number));
  const fallUs = primed && lastHigh(delta, primed.fromUs, toUs);
  const fromKpa = fallUs === undefined ? undefined : medianWithin(delta, fallUs - 300_000, fallUs);
  if (fallUs === undefined || fromKpa === undefined) return undefined;
  const marks = marksS.flatMap((s) => {
    const atUs = fallUs + s * 1e6;
    const kpa = atUs <= toUs ? medianWithin(delta, atUs - 500_000, Math.min(toUs, atUs + 500_000)) : undefined;
    return kpa === undefined ? [] : [{ s, kpa: Number(kpa.toFixed(1)) }];
  });
  if (marks.length === 0) return undefined;
  return { set: set.name, channel: delta.channel, atS: (fallUs - series.startUs) / 1e6, fromKpa: Number(fromKpa.toFixed(1)), marks };
}

/** The last time within 4 % of the level that the pump held: from there on nothing pumps. */
function lastHigh(delta: Watched, fromUs: number, toUs: number): number | undefined {
  const level = medianWithin(delta, fromUs + 500_000, Math.min(toUs, fromUs + 1_800_000));
  if (level === undefined) return undefined;
  let last: number | undefined;
  for (let i = 0; i < delta.timeUs.length; i++) {
    const at = delta.timeUs[i] as number;
    if (at < fromUs || at > toUs) continue;
    if ((delta.value[i] as number) >= 0.96 * level) last = at;
  }
  // A rail that holds: watched from where a usual prime is over.
  return last !== undefined && last > toUs - holdsUs ? Math.min(last, fromUs + primeOverUs) : last;
}

export interface LeakComparison extends Said {
  set: string;
  /** Seconds behind the prime at which both are known; null: there is nothing to compare with. */
  s: number | null;
  fellKpa: number | null;
  lastFellKpa: number | null;
  isFaster: boolean;
}

/** Common practice, no source: more than this beyond last time is told. */
const fasterKpa = 15;
const fasterShare = 0.3;

/** @param last The one before, of the same set; undefined: this is the first. */
export function compareLeakDown(now: LeakDown, last: LeakDown | undefined): LeakComparison {
  const mark = now.marks.findLast(({ s }) => last?.marks.some((other) => other.s === s));
  const before = last?.marks.find(({ s }) => s === mark?.s);
  if (!last || !mark || !before) {
    const longest = now.marks.at(-1) as LeakDown['marks'][number];
    const fell = now.fromKpa - longest.kpa;
    const why = last ? 'the last one was not watched as long' : 'there is no earlier one';
    return {
      set: now.set,
      s: null,
      fellKpa: Number(fell.toFixed(1)),
      lastFellKpa: null,
      isFaster: false,
      ...said`${now.set} fell by ${amount(fell, 'kPa', 0)} in ${longest.s} s; ${why}, and alone it says nothing: many regulators drop to zero by design, and a first prime has air in the rails`,
    };
  }
  const [fell, lastFell] = [now.fromKpa - mark.kpa, last.fromKpa - before.kpa];
  const isFaster = fell - lastFell > Math.max(fasterKpa, fasterShare * Math.abs(lastFell));
  return {
    set: now.set,
    s: mark.s,
    fellKpa: Number(fell.toFixed(1)),
    lastFellKpa: Number(lastFell.toFixed(1)),
    isFaster,
    ...said`${now.set} fell by ${amount(fell, 'kPa', 0)} in ${mark.s} s, last time by ${amount(lastFell, 'kPa', 0)}${
      isFaster ? ': faster than last time. Eyes on every fitting; then injectors, regulator and the check valve of the pump' : ''
    }`,
  };
}
