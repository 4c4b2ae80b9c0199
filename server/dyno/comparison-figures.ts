// A difference of Compare explained: the values of the pulls on either side, the fit, its interval, and what how pulls repeat has to do with it. Pure.
import { type Difference, intervalFactor } from './compare-pulls.ts';
import type { SetComparison, SetPull } from './compare-sets.ts';
import { type Figure, linkTo, said, toAddress } from './figure.ts';
import { explainPullFigure, type PullBehind, pullFigureAddress } from './pull-figures.ts';

/** One pull of a comparison with all that its own figures need. */
export interface ComparedBehind extends SetPull {
  behind: PullBehind;
}

/** What was compared, as addresses say it: SESSION:NUMBER of each pull. */
export interface ComparedSets {
  before: string;
  after: string;
  quantity: string;
}

/** Place among the cells of the comparison, or all of it. */
export type ComparedCell = number | 'all';

/** @returns Undefined where there is no such cell. */
export function explainDifference(
  comparison: SetComparison,
  pulls: readonly ComparedBehind[],
  sets: ComparedSets,
  cell: ComparedCell,
): Figure | undefined {
  const found = cell === 'all' ? comparison.all : comparison.cells[cell];
  if (!found) return undefined;
  const { unit, matters } = comparison;
  const digits = unit === 'lambda' ? 3 : 1;
  const shownUnit = unit === 'degC' ? 'K' : unit;
  const say = (value: number | null) => said(value, digits);
  return {
    title: titleOf(comparison, cell),
    value: Number(found.difference.toFixed(digits)),
    unit: shownUnit,
    isDifference: true,
    rule: `B (behind the change) less A (before it), by ordinary least squares: ${modelWords(found)}`,
    source:
      "Student's t for two means with pooled variance: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3; least squares checked against NIST's reference sets",
    worked: [...sideLines(found, pulls, say), ...fitLines(found, say, shownUnit), verdictLine(found, matters, say, shownUnit)],
    doubts: [
      ...(cell === 'all' ? ['of each pull one value counts: its mean over the rows that all pulls driven alike have'] : []),
      ...comparison.advice,
    ],
    stretches: pulls.map(({ behind, set }) => {
      const { startUs, session, summary } = behind;
      const { from, to } = summary.pull;
      return {
        session,
        fromUs: startUs + from * 1e6,
        toUs: startUs + to * 1e6,
        what: `${sideOf(set)}: ${behind.called}, ${from.toFixed(2)} to ${to.toFixed(2)} s`,
      };
    }),
    channels: [],
    figures:
      cell === 'all'
        ? comparison.cells.map((one, i) =>
            linkTo(differenceAddress(sets, i), {
              title: titleOf(comparison, i),
              value: Number(one.difference.toFixed(digits)),
              unit: shownUnit,
            }),
          )
        : pullFigures(comparison, pulls, cell),
  };
}

export function differenceAddress({ before, after, quantity }: ComparedSets, cell: ComparedCell): string {
  return toAddress('compare', before, after, quantity, cell);
}

const sideOf = (set: SetPull['set']) => (set === 'before' ? 'A' : 'B');

function titleOf({ quantity, cells }: SetComparison, cell: ComparedCell): string {
  const words = quantityWords(quantity);
  if (cell === 'all') return `${words}, B less A`;
  const { kind, speed, load } = cells[cell] as SetComparison['cells'][number];
  return `${words}, B less A, ${kind}s at ${speed} rpm${load === null ? '' : `, load ${load.toFixed(0)}`}`;
}

function quantityWords(quantity: string): string {
  const [kind = '', of = ''] = quantity.split(/:(.*)/s);
  const words: Record<string, string> = {
    spread: 'Spread',
    rms: 'RMS deviation',
    temp: `Temperature of cylinder ${of}`,
    deviation: `Deviation of cylinder ${of}`,
    duty: `Duty of ${of}`,
    delta: `Fuel pressure delta of ${of}`,
    lambda: 'Lambda',
    timing: 'Timing',
    torque: 'Torque, uncorrected',
    power: 'Power, uncorrected',
  };
  return words[kind] ?? quantity;
}

function modelWords({ from: { strata, withDrift } }: Difference): string {
  const levels = strata === 1 ? 'one level' : `a level for each of ${strata} kinds of pulls that are driven alike`;
  return `${levels}, the difference${withDrift ? ', and a straight drift along the order in which they were driven' : ''}.`;
}

type Say = (value: number | null) => string;

function sideLines({ from: { values } }: Difference, pulls: readonly ComparedBehind[], say: Say): string[] {
  return (['before', 'after'] as const).map((set) => {
    const here = values.filter((value) => value.set === set);
    const listed = here.map(({ order, value }) => {
      const pull = pulls.find((one) => one.order === order);
      return `${say(value)} (${pull?.behind.called})`;
    });
    const mean = here.reduce((sum, { value }) => sum + value, 0) / here.length;
    return `${sideOf(set)}: ${listed.join(', ')}; mean ${say(mean)}`;
  });
}

function fitLines({ difference, low, high, repeat, freedom, from }: Difference, say: Say, unit: string): string[] {
  const { error, withDrift } = from;
  const fitted = `B less A${withDrift ? ', the drift along the order taken out' : ''}: ${say(difference)} ${unit}`;
  if (low === null || high === null || error === null) return [fitted, 'one pull of each gives no idea of how pulls repeat: no interval'];
  return [
    fitted,
    `one pull repeats to ± ${say(repeat)} ${unit} (${freedom} degrees of freedom); standard error of the difference ${say(error)} ${unit}`,
    `95 % interval: ${say(difference)} ± ${intervalFactor(freedom).toFixed(3)} × ${say(error)}: ${say(low)} to ${say(high)} ${unit}`,
  ];
}

function verdictLine({ verdict }: Difference, matters: number, say: Say, unit: string): string {
  const than = `${say(matters)} ${unit}`;
  if (verdict === 'no difference') return `the whole interval is nearer to 0 than ${than}: no difference that matters`;
  if (verdict === 'not enough pulls to tell')
    return `the interval holds 0 and reaches beyond ${than}, or there is none: not enough pulls to tell`;
  return `the whole interval lies on one side of 0: ${verdict}`;
}

/** Quantity → key of the pull's own figure at a row by engine speed. */
function keyOf(quantity: string, speed: number): (string | number)[] {
  const [kind = '', of = ''] = quantity.split(/:(.*)/s);
  if (kind === 'duty' || kind === 'delta') return [`${kind}-mean`, speed, of];
  return of === '' ? [kind, speed] : [kind, speed, of];
}

function pullFigures(comparison: SetComparison, pulls: readonly ComparedBehind[], cell: number): Figure['figures'] {
  const { kind, speed, from } = comparison.cells[cell] as SetComparison['cells'][number];
  return from.values.flatMap(({ order }) => {
    const pull = pulls.find((one) => one.order === order);
    const own = kind === 'hold' ? pull?.profile.bands[0]?.speed : speed;
    if (!pull || own === undefined) return [];
    const key = keyOf(comparison.quantity, own);
    const figure = explainPullFigure(pull.behind, key.map(String));
    if (!figure) return [];
    const title = `${sideOf(pull.set)}, ${pull.behind.called}: ${figure.title}`;
    return [linkTo(pullFigureAddress(pull.behind, ...key), { ...figure, title })];
  });
}
