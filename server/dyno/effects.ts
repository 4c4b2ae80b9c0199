// The linear model of the distribution study: which part of the heat belongs to bank, position, group, cylinder, probe or injector. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import { CholeskyDecomposition, inverse, Matrix } from 'ml-matrix';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Hold } from './holds.ts';
import { findSeparable } from './separability.ts';
import { checkStanding, type Standing } from './standing.ts';

export type EffectKind = 'bank' | 'position' | 'group' | 'cylinder' | 'probe' | 'injector';

/** One column of the model. `load` is what a cylinder does at one load point beyond what it always does: it is never reported. */
export interface EffectColumn {
  kind: EffectKind | 'load';
  /** `A of plenum`, `T-03`, `P-15 of port`, `5`, `left`, `front`. */
  subject: string;
  set?: string;
}

/** How things are arranged in a hold, or would be in a trial. */
export interface Arrangement {
  bank: ReadonlyMap<number, string>;
  /** 1 at the front of its bank, −1 at the rear. */
  position: ReadonlyMap<number, number>;
  /** Set → cylinder → group of the plan in force; only sets with more than one group. */
  group: ReadonlyMap<string, ReadonlyMap<number, string>>;
  probe: ReadonlyMap<number, string>;
  /** Set → cylinder → the injector. */
  injector: ReadonlyMap<string, ReadonlyMap<number, string>>;
  /** Set → how much it gives beside what it usually does; 0 when off. */
  strength: ReadonlyMap<string, number>;
  /** Holds at one speed and load share a number: only those are compared with each other. */
  loadPoint: number;
}

/** The model fitted: posterior of every effect, K. */
export interface FittedModel {
  columns: EffectColumn[];
  mean: Float64Array;
  /** Posterior covariance, K². */
  covariance: Matrix;
  /** Standard deviation of one hold's reading of one cylinder, K. */
  noiseK: number;
  /** Degrees of freedom of the noise. */
  freedom: number;
  /** Logarithm of the evidence, but for a constant of the holds: the larger, the better these columns and weights tell them. */
  evidence: number;
  /** Which effects these sessions' arrangements separate, by column. */
  separable: boolean[];
  /** Of banks and position, by column: how the estimate hangs on single cylinders. */
  standing: ReadonlyMap<number, Standing>;
}

/**
 * What the holds say of an effect: `no effect` when its whole interval makes less than 15 K between parts; an interval across 0 that reaches
 * further tells nothing yet.
 */
export type EffectVerdict = 'effect' | 'no effect' | 'not enough holds to tell' | 'not separated';

/** Interval of an effect at 90 %; no number where these sessions can't separate it. A contract (`study --json`). */
export interface EffectEstimate {
  kind: EffectKind;
  subject: string;
  kelvin: number | null;
  low: number | null;
  high: number | null;
  separable: boolean;
  verdict: EffectVerdict;
}

/** A set that gives more than so many times its usual share is taken to give that. */
export const strengthMax = 3;
/** Two-sided 90 %. */
const intervalQuantile = 0.95;
/** What the parts of one kind scatter by before anything is known, K, and how many parts' worth that is believed. Common practice, no source. */
const usualScatterK = 6;
const usualLoadScatterK = 3;
const scatterBelief = 1;
/** Few parts differ much and most hardly: each kind scatters like Student's t with so many degrees of freedom, not like a normal distribution. */
const tailFreedom = 2;
/** What one hold repeats to before anything is known, K, and for how many degrees of freedom that counts. Common practice, no source. */
const usualNoiseK = 2;
const noiseBelief = 4;
const roundsMax = 80;
/** The rounds end once no scatter changes by more than this share. */
const settledShare = 2e-3;
/** Below this nothing is said (class 2 type K alone allows ± 6.8 K at 900 °C, IEC 60584-2). */
const noEffectK = 15;

/** The arrangement that a vehicle file describes; `usualShare` is each set's mean share of the fuel. */
export function toArrangement(
  vehicle: Vehicle,
  hold: Pick<Hold, 'off' | 'share'>,
  usualShare: ReadonlyMap<string, number>,
  loadPoint: number,
): Arrangement {
  const bank = new Map<number, string>();
  const position = new Map<number, number>();
  const banks = vehicle.engine?.banks.length ? vehicle.engine.banks : [{ name: '', cylinders: allCylinders(vehicle) }];
  for (const { name, cylinders } of banks) {
    for (const [i, cylinder] of cylinders.entries()) {
      bank.set(cylinder, name);
      position.set(cylinder, cylinders.length > 1 ? 1 - (2 * i) / (cylinders.length - 1) : 0);
    }
  }
  const group = new Map<string, Map<number, string>>();
  const injector = new Map<string, Map<number, string>>();
  const strength = new Map<string, number>();
  for (const set of vehicle.injectorSets) {
    const plan = set.plans.find(({ name }) => name === set.plan);
    if (plan && plan.groups.length > 1) {
      group.set(set.name, new Map(plan.groups.flatMap(({ name, cylinders }) => cylinders.map((cylinder) => [cylinder, name] as const))));
    }
    // An injector without a name of its own is known by its place, and moves only when the file says so.
    const cylinders = set.cylinders.length > 0 ? set.cylinders : allCylinders(vehicle);
    injector.set(set.name, new Map(cylinders.map((cylinder) => [cylinder, set.injectors.get(cylinder) ?? `at ${cylinder}`])));
    const usual = usualShare.get(set.name);
    const share = hold.share.get(set.name);
    strength.set(set.name, hold.off.has(set.name) ? 0 : usual && share !== undefined ? Math.min(strengthMax, share / usual) : 1);
  }
  const probe = new Map((vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, probe: name }) => [cylinder, name ?? `at ${cylinder}`]));
  return { bank, position, group, probe, injector, strength, loadPoint };
}

function allCylinders(vehicle: Vehicle): number[] {
  return Array.from({ length: vehicle.engine?.cylinders ?? 0 }, (_, i) => i + 1);
}

/** Columns that any of the arrangements knows, in a fixed order. */
export function listColumns(arrangements: readonly Arrangement[], cylinders: readonly number[]): EffectColumn[] {
  const seen = new Map<string, EffectColumn>();
  const add = (column: EffectColumn) => seen.set(`${column.kind} ${column.set ?? ''} ${column.subject}`, column);
  const bankNames = new Set(arrangements.flatMap(({ bank }) => [...bank.values()]));
  const loadPoints = new Set(arrangements.map(({ loadPoint }) => loadPoint));
  for (const arrangement of arrangements) {
    if (bankNames.size > 1) for (const name of arrangement.bank.values()) add({ kind: 'bank', subject: name });
    if ([...arrangement.position.values()].some((x) => x !== 0)) add({ kind: 'position', subject: 'front' });
    for (const [set, groups] of arrangement.group)
      for (const name of groups.values()) add({ kind: 'group', subject: `${name} of ${set}`, set });
    for (const cylinder of cylinders) add({ kind: 'cylinder', subject: String(cylinder) });
    for (const cylinder of cylinders)
      if (arrangement.probe.has(cylinder)) add({ kind: 'probe', subject: arrangement.probe.get(cylinder) as string });
    for (const [set, injectors] of arrangement.injector) {
      for (const cylinder of cylinders)
        if (injectors.has(cylinder)) add({ kind: 'injector', subject: `${injectors.get(cylinder)} of ${set}`, set });
    }
    if (loadPoints.size > 1) for (const cylinder of cylinders) add({ kind: 'load', subject: `${cylinder} at ${arrangement.loadPoint}` });
  }
  return [...seen.values()];
}

/** One row a cylinder, each less the mean of all rows: the level of a hold is its own. */
export function toRows(arrangement: Arrangement, columns: readonly EffectColumn[], cylinders: readonly number[]): number[][] {
  const rows = cylinders.map((cylinder) => columns.map((column) => weight(arrangement, column, cylinder)));
  return columns.length === 0 ? rows : centred(rows);
}

function centred(rows: number[][]): number[][] {
  const means = (rows[0] ?? []).map((_, j) => rows.reduce((sum, row) => sum + (row[j] as number), 0) / rows.length);
  return rows.map((row) => row.map((value, j) => value - (means[j] as number)));
}

function weight(arrangement: Arrangement, { kind, subject, set }: EffectColumn, cylinder: number): number {
  const strength = set === undefined ? 1 : (arrangement.strength.get(set) ?? 1);
  switch (kind) {
    case 'bank':
      return arrangement.bank.get(cylinder) === subject ? 1 : 0;
    case 'position':
      return arrangement.position.get(cylinder) ?? 0;
    case 'cylinder':
      return String(cylinder) === subject ? 1 : 0;
    case 'load':
      return `${cylinder} at ${arrangement.loadPoint}` === subject ? 1 : 0;
    case 'probe':
      return arrangement.probe.get(cylinder) === subject ? 1 : 0;
    case 'group':
      return `${arrangement.group.get(set as string)?.get(cylinder)} of ${set}` === subject ? strength : 0;
    case 'injector':
      return `${arrangement.injector.get(set as string)?.get(cylinder)} of ${set}` === subject ? strength : 0;
  }
}

export interface Observation {
  arrangement: Arrangement;
  temps: ReadonlyMap<number, number>;
}

/** Deviations from each hold's own mean, and the design that goes with them. */
function stack(observations: readonly Observation[], columns: readonly EffectColumn[]): { x: Matrix; y: Matrix } {
  const rows: number[][] = [];
  const values: number[][] = [];
  for (const { arrangement, temps } of observations) {
    const cylinders = [...temps.keys()];
    const mean = [...temps.values()].reduce((sum, temp) => sum + temp, 0) / temps.size;
    rows.push(...toRows(arrangement, columns, cylinders));
    values.push(...[...temps.values()].map((temp) => [temp - mean]));
  }
  return { x: new Matrix(rows), y: new Matrix(values) };
}

/**
 * Ridge regression as a Gaussian posterior: the effects of one kind share one prior N(0, scatter²), a hold's own level is free. The scatter
 * of each kind and the noise are those under which the holds are likeliest (expectation-maximisation), each held by a weak prior of what is usual,
 * so that few holds don't make a kind look exactly alike. Source: Bayesian linear regression with variance components, in any handbook.
 */
export function fitEffects(observations: readonly Observation[], columns: EffectColumn[]): FittedModel {
  const { x, y } = stack(observations, columns);
  const xtx = x.transpose().mmul(x);
  const xty = x.transpose().mmul(y);
  const kinds = toKinds(columns);
  const variances = new Float64Array(columns.length).fill((2 * usualScatterK) ** 2);
  const readings = x.rows - observations.length;
  let noise = usualNoiseK ** 2;
  let covariance = Matrix.eye(columns.length);
  let mean = new Matrix(columns.length, 1);
  for (let round = 0; round < roundsMax; round++) {
    const precision = Matrix.mul(xtx, 1 / noise);
    for (let j = 0; j < columns.length; j++) precision.set(j, j, precision.get(j, j) + 1 / (variances[j] as number));
    covariance = inverse(precision);
    mean = covariance.mmul(xty).mul(1 / noise);
    const moved = Math.max(...kinds.map((kind) => setScatter(kind, mean, covariance, variances)), 0);
    const residual = Matrix.sub(y, x.mmul(mean));
    const square = residual.to1DArray().reduce((sum, value) => sum + value * value, 0) + traceOfProduct(covariance, xtx);
    noise = (square + noiseBelief * usualNoiseK ** 2) / (readings + noiseBelief);
    if (moved < settledShare) break;
  }
  const evidence = evidenceOf(x, y, xtx, mean, variances, noise);
  const taken = columns.reduce((sum, _, j) => sum + 1 - covariance.get(j, j) / (variances[j] as number), 0);
  return {
    columns,
    mean: Float64Array.from(mean.to1DArray()),
    covariance,
    noiseK: Math.sqrt(noise),
    freedom: Math.max(noiseBelief, readings - taken),
    evidence,
    separable: findSeparable(x, columns, observations),
    standing: checkStanding(observations, columns, mean.to1DArray()),
  };
}

/** −½ (log determinant + quadratic form) of the holds under the fitted scatter and noise, by way of the posterior. */
function evidenceOf(x: Matrix, y: Matrix, xtx: Matrix, mean: Matrix, variances: Float64Array, noise: number): number {
  const precision = Matrix.mul(xtx, 1 / noise);
  for (let j = 0; j < variances.length; j++) precision.set(j, j, precision.get(j, j) + 1 / (variances[j] as number));
  const roots = new CholeskyDecomposition(precision).lowerTriangularMatrix.diagonal();
  const determinant = 2 * roots.reduce((sum, root) => sum + Math.log(root), 0);
  const residual = Matrix.sub(y, x.mmul(mean)).to1DArray();
  let total = x.rows * Math.log(noise) + determinant + residual.reduce((sum, value) => sum + value * value, 0) / noise;
  for (let j = 0; j < variances.length; j++) total += Math.log(variances[j] as number) + mean.get(j, 0) ** 2 / (variances[j] as number);
  return -total / 2;
}

/** Which effects these holds' arrangements separate, by column. */
export function separableBy(observations: readonly Observation[], columns: readonly EffectColumn[]): boolean[] {
  return findSeparable(stack(observations, columns).x, columns, observations);
}

/** Column indices by kind and, of groups and injectors, by set. */
function groupColumns(columns: readonly EffectColumn[]): Map<string, number[]> {
  const kinds = new Map<string, number[]>();
  for (const [j, { kind, set }] of columns.entries()) {
    const key = `${kind} ${set ?? ''}`;
    kinds.set(key, [...(kinds.get(key) ?? []), j]);
  }
  return kinds;
}

/**
 * One round's new scatter of the effects of one kind; returns by what share it changed. `scatter` holds the kind's own variance, `variances` what
 * each effect has of it: more for one that stands out (Student's t as a mixture of normal distributions).
 */
function setScatter(kind: Kind, mean: Matrix, covariance: Matrix, variances: Float64Array): number {
  const squares = kind.members.map((j) => mean.get(j, 0) ** 2 + covariance.get(j, j));
  const weights = squares.map((square) => (tailFreedom + 1) / (tailFreedom + square / kind.scatter));
  const sum = squares.reduce((total, square, i) => total + square * (weights[i] as number), 0);
  const before = kind.scatter;
  kind.scatter = (sum + scatterBelief * kind.usual) / (kind.members.length + scatterBelief);
  for (const [i, j] of kind.members.entries()) variances[j] = kind.scatter / (weights[i] as number);
  return Math.abs(kind.scatter / before - 1);
}

interface Kind {
  members: number[];
  /** Usual variance and that of these holds, K². */
  usual: number;
  scatter: number;
}

function toKinds(columns: readonly EffectColumn[]): Kind[] {
  return [...groupColumns(columns).values()].map((members) => {
    const usual = (columns[members[0] as number]?.kind === 'load' ? usualLoadScatterK : usualScatterK) ** 2;
    return { members, usual, scatter: usual };
  });
}

/** Trace of A B for symmetric A and B. */
function traceOfProduct(a: Matrix, b: Matrix): number {
  let sum = 0;
  for (let i = 0; i < a.rows; i++) for (let j = 0; j < a.columns; j++) sum += a.get(i, j) * b.get(i, j);
  return sum;
}

/**
 * Every effect with its 90 % interval, largest first, as the difference from the mean of its kind (the groups of one set, the banks, all
 * probes, ...): temperatures within a hold tell nothing else. What can't be separated carries no number.
 */
export function toEstimates(model: FittedModel): EffectEstimate[] {
  const round = (value: number) => Math.round(value * 10) / 10;
  const kinds = groupColumns(model.columns);
  return model.columns
    .flatMap(({ kind, subject, set }, j): EffectEstimate[] => {
      if (kind === 'load') return [];
      const separable = model.separable[j] === true;
      if (!separable) return [{ kind, subject, kelvin: null, low: null, high: null, separable, verdict: 'not separated' }];
      const mates = kinds.get(`${kind} ${set ?? ''}`) as number[];
      const { kelvin, deviationK } = contrastOf(model, j, mates);
      const [low, high] = toInterval(kelvin, deviationK, model.freedom, model.standing.get(j));
      return [
        {
          kind,
          subject,
          kelvin: round(kelvin),
          low: round(low),
          high: round(high),
          separable,
          verdict: toVerdict(low, high, mates.length),
        },
      ];
    })
    .sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0));
}

/** What an estimate was computed from. */
export interface EffectBehind {
  /** The parts of its kind (groups of one set, banks, all probes, ...) with what the model makes of each, K. */
  mates: { subject: string; meanK: number }[];
  kelvin: number;
  /** Standard deviation of the difference from the mean of its kind, K. */
  deviationK: number;
  /** Half the 90 % interval in standard deviations, by Student's t, and its degrees of freedom. */
  factor: number;
  freedom: number;
  /** It hangs on a single cylinder: its interval reaches to 0. */
  hangsOnOne: boolean;
}

/** Undefined for an effect that the model has not. */
export function findEffectBehind(model: FittedModel, kind: string, subject: string): EffectBehind | undefined {
  const j = model.columns.findIndex((column) => column.kind === kind && column.subject === subject);
  const column = model.columns[j];
  if (!column || column.kind === 'load') return undefined;
  const mates = groupColumns(model.columns).get(`${kind} ${column.set ?? ''}`) as number[];
  const standing = model.standing.get(j);
  const freedom = freedomOf(model.freedom, standing);
  return {
    mates: mates.map((k) => ({ subject: model.columns[k]?.subject ?? '', meanK: model.mean[k] as number })),
    ...contrastOf(model, j, mates),
    factor: studentT.quantile(intervalQuantile, freedom),
    freedom,
    hangsOnOne: standing?.hangsOnOne ?? false,
  };
}

function freedomOf(freedom: number, standing: Standing | undefined): number {
  return standing ? Math.max(1, Math.min(standing.freedom, freedom)) : freedom;
}

/** Sum of the variances of all effects, K². */
export function uncertaintyOf({ columns, covariance }: FittedModel): number {
  return columns.reduce((sum, { kind }, j) => sum + (kind === 'load' ? 0 : covariance.get(j, j)), 0);
}

/** Bank and position are judged by the cylinders' own scatter, so their freedom is that of the cylinders; one that hangs on one cylinder reaches to 0. */
function toInterval(kelvin: number, deviationK: number, freedom: number, standing: Standing | undefined): [low: number, high: number] {
  const t = studentT.quantile(intervalQuantile, freedomOf(freedom, standing));
  const [low, high] = [kelvin - t * deviationK, kelvin + t * deviationK];
  return standing?.hangsOnOne ? [Math.min(low, 0), Math.max(high, 0)] : [low, high];
}

/** `parts`: how many of its kind there are; 15 K between two parts are ± 7.5 K from their mean, and position is half of front less rear. */
function toVerdict(low: number, high: number, parts: number): EffectVerdict {
  const least = noEffectK * (parts > 1 ? 1 - 1 / parts : 0.5);
  if (Math.max(Math.abs(low), Math.abs(high)) < least) return 'no effect';
  return low > 0 || high < 0 ? 'effect' : 'not enough holds to tell';
}

/** What the model makes of one column, as the difference from the mean of its kind, K: for ranking alone where it isn't separated. */
export function leaningOf(model: FittedModel, j: number): number {
  const { kind, set } = model.columns[j] as EffectColumn;
  return contrastOf(model, j, groupColumns(model.columns).get(`${kind} ${set ?? ''}`) as number[]).kelvin;
}

/** One effect less the mean of its mates (itself among them); an effect without others of its kind stands alone. */
function contrastOf(model: FittedModel, j: number, mates: readonly number[]): { kelvin: number; deviationK: number } {
  const n = mates.length;
  const weights = n > 1 ? mates.map((k) => (k === j ? 1 : 0) - 1 / n) : [1];
  let kelvin = 0;
  let variance = 0;
  for (const [a, k] of mates.entries()) {
    kelvin += (weights[a] as number) * (model.mean[k] as number);
    for (const [b, l] of mates.entries()) variance += (weights[a] as number) * (weights[b] as number) * model.covariance.get(k, l);
  }
  return { kelvin, deviationK: Math.sqrt(Math.max(0, variance)) };
}

/** Predicted deviation of each cylinder in an arrangement, K. */
export function predict(model: FittedModel, arrangement: Arrangement, cylinders: readonly number[]): number[] {
  return toRows(arrangement, model.columns, cylinders).map((row) =>
    row.reduce((sum, value, j) => sum + value * (model.mean[j] as number), 0),
  );
}

/**
 * Share of the uncertainty about all effects that one more hold in an arrangement takes away, 0 to 1. Rows R: the covariance C becomes
 * C − C Rᵀ (R C Rᵀ + noise² I)⁻¹ R C.
 */
export function uncertaintyTaken(model: FittedModel, arrangement: Arrangement, cylinders: readonly number[]): number {
  const r = new Matrix(toRows(arrangement, model.columns, cylinders));
  const rc = r.mmul(model.covariance);
  const inner = rc.mmul(r.transpose()).add(Matrix.mul(Matrix.eye(cylinders.length), model.noiseK ** 2));
  const weighed = inverse(inner).mmul(rc);
  const all = uncertaintyOf(model);
  let taken = 0;
  for (const [j, { kind }] of model.columns.entries()) {
    if (kind === 'load') continue;
    for (let i = 0; i < cylinders.length; i++) taken += rc.get(i, j) * weighed.get(i, j);
  }
  return all > 0 ? taken / all : 0;
}
