// Two sets of pulls or holds compared, before and after a change: the difference with an interval that respects how pulls repeat. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import { fitLeastSquares } from './least-squares.ts';

/** One pull or hold of the comparison. */
export interface ComparedPull<Band extends number | string = number> {
  set: 'before' | 'after';
  /** Place in the evening: 1 first. Heat and weather drift along it. */
  order: number;
  /** Value by band: of engine speed, or of speed and load. In the channel's unit. */
  bands: ReadonlyMap<Band, number>;
  /** Pulls of one kind that are driven alike (all sweeps, the holds of one load point): only within it are sets compared. One by default. */
  stratum?: string;
  /** Temperature of oil or coolant at its start, °C, where known: starts that differ are told. */
  startC?: number;
}

/** `no difference`: none that matters, all through the interval. */
export type ComparisonVerdict = 'higher' | 'lower' | 'no difference' | 'not enough pulls to tell';

/** Difference after less before. `low` and `high` are the ends of its 95 % interval; null where the pulls can't give one. */
export interface Difference {
  difference: number;
  low: number | null;
  high: number | null;
  /** Standard deviation of one pull among its like. */
  repeat: number | null;
  freedom: number;
  verdict: ComparisonVerdict;
  /** What it was computed from. */
  from: {
    /** One value a pull, by its `order`. */
    values: { order: number; set: ComparedPull['set']; value: number }[];
    /** Whether a straight drift was fitted beside it, and into how many kinds of pulls that are driven alike. */
    withDrift: boolean;
    strata: number;
    /** Standard error of the difference; null where the pulls can't give one. */
    error: number | null;
  };
}

export interface Comparison<Band extends number | string = number> {
  /** All bands together, a pull counting once. */
  all: Difference | undefined;
  bands: (Difference & { band: Band })[];
  /** Pulls of each set that would have told a difference of `matters`; null when one of each gives no idea of how they repeat. */
  pullsNeeded: number | null;
  /** Whether drift was taken out: it can be only when the sets alternate (A-B-A). */
  driftTakenOut: boolean;
  /** What to drive next, and what to mind, in words. */
  advice: string[];
}

const intervalQuantile = 0.975;
const pullsMax = 40;
const startApartMaxK = 5;

/**
 * Compares two sets. With A-B-A order a straight drift along the evening is fitted beside the difference; with all of one set first, drift and
 * change are one thing to the data, and the advice says so.
 *
 * @param matters Smallest difference that matters, in the unit of the values (15 K between exhaust temperatures).
 * Worked: two against two pulls that repeat to 8 K give ± 34 K, three against three ± 18, four against four ± 14 (Student's t, pooled).
 */
export function comparePulls<Band extends number | string = number>(
  pulls: readonly ComparedPull<Band>[],
  matters: number,
): Comparison<Band> {
  const whole = wholeValues(pulls);
  const alternates = isAlternating(whole.length > 0 ? whole.map(({ pull }) => pull) : pulls);
  const all = whole.length > 0 ? differenceOf(whole, alternates, matters) : undefined;
  const bands = allBands(pulls).flatMap((band) => {
    const here = pulls.flatMap((pull) => (pull.bands.has(band) ? [{ pull, value: pull.bands.get(band) as number }] : []));
    const found = differenceOf(here, isAlternating(here.map(({ pull }) => pull)), matters);
    return found ? [{ band, ...found }] : [];
  });
  const pullsNeeded = all?.repeat ? countNeeded(all.repeat, matters) : null;
  return { all, bands, pullsNeeded, driftTakenOut: alternates, advice: adviceOf(pulls, all, pullsNeeded, alternates) };
}

type AnyPull = Pick<ComparedPull, 'set' | 'order' | 'startC' | 'stratum'>;

/** One value a pull: its mean over the bands that all pulls of its stratum have. Strata that only one set has tell nothing. */
function wholeValues<Band extends number | string>(pulls: readonly ComparedPull<Band>[]): Valued[] {
  const strata = new Map<string, ComparedPull<Band>[]>();
  for (const pull of pulls) strata.set(pull.stratum ?? '', [...(strata.get(pull.stratum ?? '') ?? []), pull]);
  return [...strata.values()].flatMap((alike) => {
    const common = commonBands(alike);
    const both = alike.some(({ set }) => set === 'before') && alike.some(({ set }) => set === 'after');
    if (!both || common.length === 0) return [];
    return alike.map((pull) => ({ pull, value: meanOf(common.map((band) => pull.bands.get(band) as number)) }));
  });
}

interface Valued {
  pull: AnyPull;
  value: number;
}

function differenceOf(values: readonly Valued[], withDrift: boolean, matters: number): Difference | undefined {
  const of = (set: ComparedPull['set']) => values.filter(({ pull }) => pull.set === set).map(({ value }) => value);
  const [before, after] = [of('before'), of('after')];
  if (before.length === 0 || after.length === 0) return undefined;
  const middle = meanOf(values.map(({ pull }) => pull.order));
  const strata = [...new Set(values.map(({ pull }) => pull.stratum ?? ''))];
  const rows = values.map(({ pull }) => [
    pull.set === 'after' ? 1 : 0,
    ...strata.map((stratum) => (stratum === (pull.stratum ?? '') ? 1 : 0)),
    ...(withDrift ? [pull.order - middle] : []),
  ]);
  const fitted = fitLeastSquares(
    rows,
    values.map(({ value }) => value),
  );
  const difference = fitted ? (fitted.coefficients[0] as number) : meanOf(after) - meanOf(before);
  const from = {
    values: values.map(({ pull, value }) => ({ order: pull.order, set: pull.set, value })),
    withDrift: withDrift && fitted !== undefined,
    strata: strata.length,
    error: null,
  };
  if (!fitted || fitted.freedom < 1)
    return { difference, low: null, high: null, repeat: null, freedom: 0, verdict: 'not enough pulls to tell', from };
  const error = fitted.errors[0] as number;
  const half = intervalFactor(fitted.freedom) * error;
  const [low, high] = [difference - half, difference + half];
  const verdict = toVerdict(low, high, matters);
  return { difference, low, high, repeat: fitted.residual, freedom: fitted.freedom, verdict, from: { ...from, error } };
}

/** Half a 95 % interval in standard errors, by Student's t. Worked: 2 degrees of freedom 4.303 (any table of Student's t). */
export function intervalFactor(freedom: number): number {
  return studentT.quantile(intervalQuantile, freedom);
}

function toVerdict(low: number, high: number, matters: number): ComparisonVerdict {
  if (low > -matters && high < matters) return 'no difference';
  if (low > 0) return 'higher';
  return high < 0 ? 'lower' : 'not enough pulls to tell';
}

/** Smallest number of pulls of each set whose pooled 95 % interval is no wider than ± `matters`. */
export function countNeeded(repeat: number, matters: number): number {
  let n = 2;
  while (n < pullsMax && studentT.quantile(intervalQuantile, 2 * n - 2) * repeat * Math.sqrt(2 / n) > matters) n++;
  return n;
}

/** Both sets on both sides of the other somewhere: a straight drift can then be told from the change. */
function isAlternating(pulls: readonly AnyPull[]): boolean {
  const sets = [...pulls].sort((a, b) => a.order - b.order).map(({ set }) => set);
  const changes = sets.filter((set, i) => i > 0 && set !== sets[i - 1]).length;
  return changes >= 2 && pulls.length > 3;
}

function adviceOf(pulls: readonly AnyPull[], all: Difference | undefined, needed: number | null, alternates: boolean): string[] {
  const advice: string[] = [];
  const order = [...pulls].sort((a, b) => a.order - b.order).map(({ set }) => (set === 'before' ? 'A' : 'B'));
  const count = (set: ComparedPull['set']) => pulls.filter((pull) => pull.set === set).length;
  if (!all) return ['no band of speed or load is common to both sets: drive the same again'];
  if (!alternates)
    advice.push(
      `order ${order.join('-')}: what drifted over the evening counts as the change; go back to the first and drive it again (A-B-A)`,
    );
  if (all.repeat === null) advice.push('how pulls repeat is not known: two of each at least');
  else if (all.verdict === 'not enough pulls to tell' && needed !== null) {
    const more = Math.max(0, needed - Math.min(count('before'), count('after')));
    advice.push(needed >= pullsMax ? 'these pulls repeat too badly for this difference' : `${more} more of each would do`);
  }
  const starts = (set: ComparedPull['set']) =>
    pulls.flatMap((pull) => (pull.set === set && pull.startC !== undefined ? [pull.startC] : []));
  const [a, b] = [starts('before'), starts('after')];
  if (a.length > 0 && b.length > 0 && Math.abs(meanOf(a) - meanOf(b)) > startApartMaxK)
    advice.push(`start temperatures differ: ${meanOf(a).toFixed(0)} °C before, ${meanOf(b).toFixed(0)} °C after`);
  return advice;
}

function commonBands<Band extends number | string>(pulls: readonly ComparedPull<Band>[]): Band[] {
  return allBands(pulls).filter((band) => pulls.every(({ bands }) => bands.has(band)));
}

/** Numbers ascending; words in the order in which they came. */
function allBands<Band extends number | string>(pulls: readonly ComparedPull<Band>[]): Band[] {
  const all = [...new Set(pulls.flatMap(({ bands }) => [...bands.keys()]))];
  return all.sort((a, b) => (typeof a === 'number' && typeof b === 'number' ? a - b : 0));
}

function meanOf(values: readonly number[]): number {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}
