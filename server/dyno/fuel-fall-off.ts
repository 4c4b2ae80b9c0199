// Why fuel pressure delta falls in a pull: by slopes, rail against reference pressure and delta against flow, supply and fuel temperature. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { valueAt, type Watched, watch } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { fitLeastSquares } from './least-squares.ts';
import type { Pull } from './pulls.ts';
import { findUsualChannel } from './usual-channels.ts';

export type FallOffCause = 'none' | 'reference hose' | 'rising-rate regulator' | 'pump or filter' | 'pump feed' | 'vapour' | 'unknown';

export interface FallOff {
  set: string;
  /** Delta at the beginning of the pulls less its lowest, kPa (medians of half a second). */
  fallKpa: number;
  /** Rail over reference pressure: 1 healthy, 0 hose off or split, above 1 a rising-rate regulator; null where the reference hardly moves. */
  railPerReference: number | null;
  /**
   * Share of the delta's movement that goes with each, 0 to 1: flat up to a knee and straight beyond it, as a pump gives what is asked until it
   * can't. Null where it isn't known or hardly moves. `flow` is the flow demanded, by duty.
   */
  goesWith: { reference: number | null; flow: number | null; supply: number | null; fuelTemperature: number | null };
  causes: FallOffCause[];
  say: string;
}

/** A fall of less is none: practice's ± 10 % of a usual 300 kPa. Common practice, no source. */
const fallMinKpa = 30;
const referenceSpanMinKpa = 25;
const dutySpanMin = 8;
const supplySpanMinV = 0.4;
const fuelSpanMinK = 5;
const hoseOffSlopeMax = 0.3;
const hoseExplainsMin = 0.9;
const healthySlopeMax = 1.15;
const alikeShare = 0.08;
const explainsMin = 0.6;
const stepUs = 100_000;

/** Judges every set with a fuel pressure delta over the sweeps given (of one evening: more than one is better). */
export function diagnoseFallOff(series: SeriesSet, vehicle: Vehicle, pulls: readonly Pull[]): FallOff[] {
  const sweeps = pulls.filter(({ kind }) => kind === 'sweep');
  return vehicle.injectorSets.flatMap((set) => (sweeps.length > 0 ? (diagnoseSet(series, vehicle, set, sweeps) ?? []) : []));
}

interface Moment {
  delta: number;
  rail: number | undefined;
  reference: number | undefined;
  flow: number | undefined;
  supply: number | undefined;
  fuelTemperature: number | undefined;
}

function diagnoseSet(series: SeriesSet, vehicle: Vehicle, set: InjectorSet, sweeps: readonly Pull[]): FallOff | undefined {
  const moments = sweeps.map((pull) => momentsOf(series, vehicle, set, pull)).filter((list) => list.length >= 10);
  if (moments.length === 0) return undefined;
  const falls = moments.map((list) => medianOf(list.slice(0, 5)) - lowest(list));
  const fallKpa = Math.max(...falls);
  const all = moments.flat();
  const railPerReference = slopeOf(all, 'reference', 'rail', referenceSpanMinKpa);
  const goesWith = {
    reference: fitOver(all, 'reference', 'delta', referenceSpanMinKpa)?.explained ?? null,
    flow: explainedByKnee(all, 'flow', dutySpanMin),
    supply: explainedByKnee(all, 'supply', supplySpanMinV),
    fuelTemperature: explainedByKnee(all, 'fuelTemperature', fuelSpanMinK),
  };
  const causes = causesOf(fallKpa, railPerReference, goesWith);
  return { set: set.name, fallKpa, railPerReference, goesWith, causes, say: sayOf(set.name, fallKpa, causes) };
}

function momentsOf(series: SeriesSet, vehicle: Vehicle, set: InjectorSet, pull: Pull): Moment[] {
  const part = toNamePart(set.name);
  const delta = watch(series, `fuel_delta_${part}`, 'kPa');
  if (!delta) return [];
  const at = (watched: Watched | undefined, us: number) => watched && valueAt(watched, us);
  const fuelTemp = findUsualChannel(vehicle, 'fuelTemp');
  const channels = {
    rail: watch(series, set.rail, 'kPa'),
    reference: watch(series, set.discharge, 'kPa'),
    flow: watch(series, `duty_${part}`, '%'),
    supply: watch(series, vehicle.engine?.roles.battery, 'V'),
    fuelTemperature: watch(series, fuelTemp, 'degC'),
  };
  const moments: Moment[] = [];
  for (let us = series.startUs + pull.from * 1e6; us <= series.startUs + pull.to * 1e6; us += stepUs) {
    const value = valueAt(delta, us);
    if (value === undefined) continue;
    moments.push({
      delta: value,
      rail: at(channels.rail, us),
      reference: at(channels.reference, us),
      flow: at(channels.flow, us),
      supply: at(channels.supply, us),
      fuelTemperature: at(channels.fuelTemperature, us),
    });
  }
  return moments;
}

function medianOf(moments: readonly Moment[]): number {
  const sorted = moments.map(({ delta }) => delta).sort((a, b) => a - b);
  return sorted[sorted.length >> 1] as number;
}

/** Lowest median over half a second. */
function lowest(moments: readonly Moment[]): number {
  let low = Number.POSITIVE_INFINITY;
  for (let i = 0; i + 5 <= moments.length; i++) low = Math.min(low, medianOf(moments.slice(i, i + 5)));
  return low;
}

type Key = Exclude<keyof Moment, 'delta'>;

function fitOver(moments: readonly Moment[], x: Key, y: keyof Moment, spanMin: number) {
  const pairs = moments.flatMap((moment) => (moment[x] === undefined || moment[y] === undefined ? [] : [[moment[x], moment[y]] as const]));
  const xs = pairs.map(([value]) => value);
  if (pairs.length < 10 || Math.max(...xs) - Math.min(...xs) < spanMin) return undefined;
  return fitLeastSquares(
    xs.map((value) => [1, value]),
    pairs.map(([, value]) => value),
  );
}

function slopeOf(moments: readonly Moment[], x: Key, y: keyof Moment, spanMin: number): number | null {
  return fitOver(moments, x, y, spanMin)?.coefficients[1] ?? null;
}

const kneePlaces = 12;

/** Best explained share of the delta by a fault's course: down beyond a knee of flow or fuel temperature, down below a knee of supply. */
function explainedByKnee(moments: readonly Moment[], key: 'flow' | 'supply' | 'fuelTemperature', spanMin: number): number | null {
  const pairs = moments.flatMap((moment) => (moment[key] === undefined ? [] : [{ x: moment[key], y: moment.delta }]));
  const sign = key === 'supply' ? -1 : 1;
  const xs = pairs.map(({ x }) => sign * x);
  const [low, high] = [Math.min(...xs), Math.max(...xs)];
  if (pairs.length < 10 || high - low < spanMin) return null;
  let best = 0;
  for (let place = 0; place < kneePlaces; place++) {
    const knee = low + ((high - low) * place) / kneePlaces;
    const fitted = fitLeastSquares(
      xs.map((x) => [1, Math.max(0, x - knee)]),
      pairs.map(({ y }) => y),
    );
    if (fitted && (fitted.coefficients[1] as number) < 0) best = Math.max(best, fitted.explained);
  }
  return best;
}

function causesOf(fallKpa: number, railPerReference: number | null, goesWith: FallOff['goesWith']): FallOffCause[] {
  const byReference = goesWith.reference ?? 0;
  if (railPerReference !== null && railPerReference > healthySlopeMax && byReference >= explainsMin) return ['rising-rate regulator'];
  if (fallKpa < fallMinKpa) return ['none'];
  if (railPerReference !== null && Math.abs(railPerReference) < hoseOffSlopeMax && byReference >= hoseExplainsMin)
    return ['reference hose'];
  const ranked = (
    [
      ['pump or filter', goesWith.flow],
      ['pump feed', goesWith.supply],
      ['vapour', goesWith.fuelTemperature],
    ] as [FallOffCause, number | null][]
  ).flatMap(([cause, share]) => (share !== null && share >= explainsMin ? [{ cause, share }] : []));
  const best = Math.max(...ranked.map(({ share }) => share));
  const near = ranked.filter(({ share }) => share >= best - alikeShare).map(({ cause }) => cause);
  return near.length > 0 ? near : ['unknown'];
}

const tests: Record<FallOffCause, string> = {
  none: '',
  'reference hose': 'rail does not follow its reference: look at the hose and its ends',
  'rising-rate regulator': 'rail rises faster than its reference: a rising-rate regulator, or two sensors of different kind',
  'pump or filter': 'delta falls as flow rises: filter and lines first, then the pump',
  'pump feed': 'delta falls with supply voltage: measure at the pump under load, feed and ground',
  vapour: 'delta falls as fuel warms: vapour; look at tank, return and lift pump',
  unknown: 'delta falls with nothing that is on the bus',
};

function sayOf(set: string, fallKpa: number, causes: readonly FallOffCause[]): string {
  const fall = `${set}: delta falls by ${Math.round(fallKpa)} kPa`;
  if (causes[0] === 'none') return `${fall}: no fall-off`;
  return `${fall}; ${causes.map((cause) => tests[cause]).join(', or ')}${causes.length > 1 ? ': in these pulls they move together' : ''}`;
}
