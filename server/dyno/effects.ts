// The linear model of the distribution study: which part of the heat belongs to bank, position, group, cylinder, probe or injector. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import { inverse, Matrix } from 'ml-matrix';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Hold } from './holds.ts';

export type EffectKind = 'bank' | 'position' | 'group' | 'cylinder' | 'probe' | 'injector';

/** One column of the model. */
export interface EffectColumn {
  kind: EffectKind;
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
}

/** The model fitted: posterior of every effect, K. */
export interface FittedModel {
  columns: EffectColumn[];
  mean: Float64Array;
  /** Posterior covariance, K². */
  covariance: Matrix;
  /** Standard deviation of one hold's reading of one cylinder, K. */
  noiseK: number;
  /** Prior standard deviation of every effect, K. */
  priorK: number;
  /** Degrees of freedom of the noise. */
  freedom: number;
}

/** Interval of an effect at 90 %. `separable` is false when these sessions leave the effect as uncertain as before, nearly. */
export interface EffectEstimate {
  kind: EffectKind;
  subject: string;
  kelvin: number | null;
  low: number | null;
  high: number | null;
  separable: boolean;
}

/** Posterior over prior standard deviation up to which the sessions are said to have told something of this effect itself. */
const separableShare = 0.7;
const intervalShare = 0.95;
const priorMinK = 8;
/** A thermocouple amplifier and a steady engine repeat to this at best. Common practice, no source. */
const noiseMinK = 2;

/** The arrangement that a vehicle file describes; `usualShare` is each set's mean share of the fuel. */
export function toArrangement(vehicle: Vehicle, hold: Pick<Hold, 'off' | 'share'>, usualShare: ReadonlyMap<string, number>): Arrangement {
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
    strength.set(set.name, hold.off.has(set.name) ? 0 : usual && share !== undefined ? Math.min(2, share / usual) : 1);
  }
  const probe = new Map((vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, probe: name }) => [cylinder, name ?? `at ${cylinder}`]));
  return { bank, position, group, probe, injector, strength };
}

function allCylinders(vehicle: Vehicle): number[] {
  return Array.from({ length: vehicle.engine?.cylinders ?? 0 }, (_, i) => i + 1);
}

/** Columns that any of the arrangements knows, in a fixed order. */
export function listColumns(arrangements: readonly Arrangement[], cylinders: readonly number[]): EffectColumn[] {
  const seen = new Map<string, EffectColumn>();
  const add = (column: EffectColumn) => seen.set(`${column.kind} ${column.set ?? ''} ${column.subject}`, column);
  const bankNames = new Set(arrangements.flatMap(({ bank }) => [...bank.values()]));
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

/**
 * Ridge regression as a Gaussian posterior: every effect has the same prior N(0, priorK²), a hold's own level is free. The noise is
 * estimated from the residuals in two rounds. Source of the formula: the posterior of Bayesian linear regression, in any handbook.
 */
export function fitEffects(observations: readonly Observation[], columns: EffectColumn[]): FittedModel {
  const rows: number[][] = [];
  const values: number[] = [];
  for (const { arrangement, temps } of observations) {
    const cylinders = [...temps.keys()];
    const mean = [...temps.values()].reduce((sum, temp) => sum + temp, 0) / temps.size;
    rows.push(...toRows(arrangement, columns, cylinders));
    values.push(...[...temps.values()].map((temp) => temp - mean));
  }
  const rms = Math.sqrt(values.reduce((sum, value) => sum + value * value, 0) / Math.max(1, values.length));
  const priorK = Math.max(priorMinK, 1.2 * rms);
  const x = new Matrix(rows);
  const y = Matrix.columnVector(values);
  const xtx = x.transpose().mmul(x);
  const xty = x.transpose().mmul(y);
  let noiseK = Math.max(noiseMinK, 3);
  let covariance = Matrix.eye(columns.length);
  let mean = new Matrix(columns.length, 1);
  const freedom = Math.max(1, values.length - observations.length - rankOf(xtx));
  for (let round = 0; round < 3; round++) {
    const precision = Matrix.mul(xtx, 1 / noiseK ** 2).add(Matrix.mul(Matrix.eye(columns.length), 1 / priorK ** 2));
    covariance = inverse(precision);
    mean = covariance.mmul(xty).mul(1 / noiseK ** 2);
    const residual = Matrix.sub(y, x.mmul(mean));
    const square = residual.to1DArray().reduce((sum, value) => sum + value * value, 0);
    noiseK = Math.max(noiseMinK, Math.sqrt(square / freedom));
    if (freedom < 3) noiseK = Math.max(noiseK, 3);
  }
  return { columns, mean: Float64Array.from(mean.to1DArray()), covariance, noiseK, priorK, freedom };
}

function rankOf(square: Matrix): number {
  // Number of eigenvalues that count: columns may be all but alike.
  const diagonalMax = Math.max(1e-12, ...square.diagonal());
  const reduced = square.clone();
  let rank = 0;
  for (let j = 0; j < reduced.columns; j++) {
    let pivot = -1;
    for (let i = rank; i < reduced.rows; i++)
      if (Math.abs(reduced.get(i, j)) > 1e-9 * diagonalMax && (pivot < 0 || Math.abs(reduced.get(i, j)) > Math.abs(reduced.get(pivot, j))))
        pivot = i;
    if (pivot < 0) continue;
    reduced.swapRows(pivot, rank);
    for (let i = rank + 1; i < reduced.rows; i++) {
      const factor = reduced.get(i, j) / reduced.get(rank, j);
      if (factor !== 0) for (let k = j; k < reduced.columns; k++) reduced.set(i, k, reduced.get(i, k) - factor * reduced.get(rank, k));
    }
    rank++;
  }
  return rank;
}

/**
 * Every effect with its 90 % interval, largest first, as the difference from the mean of its kind (the groups of one set, the banks, all
 * probes, ...): temperatures within a hold tell nothing else. What can't be separated carries no number.
 */
export function toEstimates(model: FittedModel): EffectEstimate[] {
  const t = Math.max(1.645, studentT.quantile(intervalShare, Math.max(3, model.freedom)));
  return model.columns
    .map((column, j) => {
      const { kind, subject } = column;
      const mates = model.columns.flatMap((other, k) => (other.kind === kind && other.set === column.set ? [k] : []));
      const contrast = contrastOf(model, j, mates);
      const separable = contrast.deviationK < separableShare * contrast.priorK;
      const round = (value: number) => Math.round(value * 10) / 10;
      const { kelvin, deviationK } = contrast;
      return separable
        ? { kind, subject, kelvin: round(kelvin), low: round(kelvin - t * deviationK), high: round(kelvin + t * deviationK), separable }
        : { kind, subject, kelvin: null, low: null, high: null, separable };
    })
    .sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0));
}

/** One effect less the mean of its mates (itself among them); an effect without others of its kind stands alone. */
function contrastOf(model: FittedModel, j: number, mates: readonly number[]): { kelvin: number; deviationK: number; priorK: number } {
  const n = mates.length;
  const weights = n > 1 ? mates.map((k) => (k === j ? 1 : 0) - 1 / n) : [1];
  let kelvin = 0;
  let variance = 0;
  for (const [a, k] of mates.entries()) {
    kelvin += (weights[a] as number) * (model.mean[k] as number);
    for (const [b, l] of mates.entries()) variance += (weights[a] as number) * (weights[b] as number) * model.covariance.get(k, l);
  }
  return { kelvin, deviationK: Math.sqrt(Math.max(0, variance)), priorK: model.priorK * (n > 1 ? Math.sqrt(1 - 1 / n) : 1) };
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
  const taken = rc.transpose().mmul(inverse(inner)).mmul(rc).trace();
  return taken / Math.max(1e-9, model.covariance.trace());
}
