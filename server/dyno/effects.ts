// The linear model of the distribution study: which part of the heat belongs to bank, position, group, cylinder, probe or injector. Pure.
import { Matrix } from 'ml-matrix';
import { medianOf } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Hold } from './holds.ts';
import { randomDraws } from './random-draws.ts';
import { Ridge } from './ridge.ts';
import { findSeparable } from './separability.ts';
import { checkStanding, type Standing } from './standing.ts';

export type EffectKind = 'bank' | 'position' | 'group' | 'cylinder' | 'probe' | 'injector';

/**
 * One column of the model. `load` is what a cylinder does at one load point beyond what it always does, `without` what it does there while a set is
 * off, beyond what its parts do: mixture is another then, and not all cylinders answer alike. `lag` is where in the band of its lag a probe really
 * is, −1 to 1, while sweeps are read in passing. None of them is reported.
 */
export interface EffectColumn {
  kind: EffectKind | 'load' | 'without' | 'lag';
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
  /** Cylinder → how far its reading may be off by half of the band of its probe's lag, K; none of a steady hold. */
  open?: ReadonlyMap<number, number>;
}

/** The model fitted: posterior of every effect, K. */
export interface FittedModel {
  columns: EffectColumn[];
  mean: Float64Array;
  /** Posterior covariance, K². */
  covariance: Matrix;
  /** Standard deviation of one hold's reading of one cylinder, K. */
  noiseK: number;
  /** Effects drawn from their posterior, by column, K. */
  draws: Float64Array[];
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
/** Of the draws, so many lie below and so many above a two-sided interval of 90 %. */
const outsideShare = 0.05;
/**
 * What ports scatter by before anything is known, K: below a spread of 15 to 20 K nothing is meant yet, and the spread of six is 2.53 standard
 * deviations (L. H. C. Tippett 1925). That is of all parts of a port together: each kind of part has its share of the variance. Believed like
 * `scatterBelief` parts' worth of measurement. Common practice, no source.
 */
const usualPortScatterK = 17.5 / 2.53;
const usualLoadScatterK = 3;
/** A probe's lag is anywhere in its band alike: variance of an even distribution from −1 to 1. */
const lagVariance = 1 / 3;
/** The level of a hold, about the mean of its readings, may be anything. */
const levelScatterK = 1000;
const scatterBelief = 1;
/** Few parts differ much and most hardly: each kind scatters like Student's t with so many degrees of freedom, not like a normal distribution. */
const tailFreedom = 2;
/** What one hold repeats to before anything is known, K, and for how many degrees of freedom that counts. Common practice, no source. */
const usualNoiseK = 2;
const noiseBelief = 4;
const roundsMax = 80;
/** Turns of the sampler that are thrown away, and kept; every so many the covariance is read. */
const settlingTurns = 100;
const drawTurns = 1000;
const drawTurnsMin = 250;
const covarianceEvery = 20;
const drawSeed = 8;
/** The rounds end once no scatter changes by more than this share. */
const settledShare = 2e-3;
/** Below this nothing is said (class 2 type K alone allows ± 6.8 K at 900 °C, IEC 60584-2). */
const noEffectK = 15;

/** Whether a kind of column is reported; the others take up what belongs to a load point. */
export function isEffect(kind: EffectColumn['kind']): kind is EffectKind {
  return kind !== 'load' && kind !== 'without' && kind !== 'lag';
}

/** The arrangement that a vehicle file describes; `usualShare` is each set's mean share of the fuel. */
export function toArrangement(
  vehicle: Vehicle,
  hold: Pick<Hold, 'off' | 'share' | 'isSweep' | 'settling'>,
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
  const open = hold.isSweep && hold.settling ? { open: new Map([...hold.settling].map(([cylinder, { openK }]) => [cylinder, openK])) } : {};
  return { bank, position, group, probe, injector, strength, loadPoint, ...open };
}

function allCylinders(vehicle: Vehicle): number[] {
  return Array.from({ length: vehicle.engine?.cylinders ?? 0 }, (_, i) => i + 1);
}

/** Columns that any of the arrangements knows, in a fixed order. */
export function listColumns(arrangements: readonly Arrangement[], cylinders: readonly number[]): EffectColumn[] {
  const seen = new Map<string, EffectColumn>();
  const add = (column: EffectColumn) => seen.set(keyOf(column), column);
  const bankNames = new Set(arrangements.flatMap(({ bank }) => [...bank.values()]));
  const loadPoints = new Set(arrangements.map(({ loadPoint }) => loadPoint));
  const isOffEverywhere = arrangements.every((arrangement) => offIn(arrangement) !== '');
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
    if (loadPoints.size > 1) for (const cylinder of cylinders) add(loadColumn(arrangement, cylinder));
    const off = offIn(arrangement);
    if (off && !isOffEverywhere) for (const cylinder of cylinders) add(withoutColumn(arrangement, off, cylinder));
    for (const cylinder of arrangement.open?.keys() ?? []) add(lagColumn(arrangement, cylinder));
  }
  return [...seen.values()];
}

const loadColumn = ({ loadPoint }: Arrangement, cylinder: number): EffectColumn => ({
  kind: 'load',
  subject: `${cylinder} at ${loadPoint}`,
});

const withoutColumn = ({ loadPoint }: Arrangement, off: string, cylinder: number): EffectColumn => ({
  kind: 'without',
  subject: `${cylinder} at ${loadPoint} without ${off}`,
});

const lagColumn = ({ probe }: Arrangement, cylinder: number): EffectColumn => ({ kind: 'lag', subject: `${probe.get(cylinder)}` });

/** Names of the sets that are off; empty when all are on. */
const offIn = ({ strength }: Arrangement): string => [...strength].flatMap(([set, gives]) => (gives === 0 ? [set] : [])).join();

/** What a cylinder may do by itself while a set is off, K²: where no hold had it off the model has no column for that. */
export function ownVarianceOf(arrangement: Arrangement, places: ReadonlyMap<string, number>, cylinder: number): number {
  const off = offIn(arrangement);
  return off !== '' && !places.has(keyOf(withoutColumn(arrangement, off, cylinder))) ? usualLoadScatterK ** 2 : 0;
}

/** One row a cylinder, each less the mean of all rows: the level of a hold is its own. */
export function toRows(arrangement: Arrangement, columns: readonly EffectColumn[], cylinders: readonly number[]): number[][] {
  const places = placesOf(columns);
  const rows = cylinders.map((cylinder) => {
    const row = new Array<number>(columns.length).fill(0);
    for (const [j, weight] of partsOf(arrangement, places, cylinder)) row[j] = weight;
    return row;
  });
  return columns.length === 0 ? rows : centred(rows);
}

function centred(rows: number[][]): number[][] {
  const means = (rows[0] ?? []).map((_, j) => rows.reduce((sum, row) => sum + (row[j] as number), 0) / rows.length);
  return rows.map((row) => row.map((value, j) => value - (means[j] as number)));
}

const keyOf = ({ kind, set, subject }: EffectColumn) => `${kind} ${set ?? ''} ${subject}`;

/** Where each column stands, by what it is. */
export function placesOf(columns: readonly EffectColumn[]): Map<string, number> {
  return new Map(columns.map((column, j) => [keyOf(column), j]));
}

export type Part = [column: number, weight: number];

/** The few columns that act on a cylinder, with their weights; those that the model doesn't know are left out. */
export function partsOf(arrangement: Arrangement, places: ReadonlyMap<string, number>, cylinder: number): Part[] {
  const parts: Part[] = [];
  const add = (column: EffectColumn, weight: number) => {
    const j = places.get(keyOf(column));
    if (j !== undefined && weight !== 0) parts.push([j, weight]);
  };
  const addNamed = (kind: EffectKind, subject: string | undefined) => subject !== undefined && add({ kind, subject }, 1);
  addNamed('bank', arrangement.bank.get(cylinder));
  add({ kind: 'position', subject: 'front' }, arrangement.position.get(cylinder) ?? 0);
  addNamed('cylinder', String(cylinder));
  add(loadColumn(arrangement, cylinder), 1);
  const off = offIn(arrangement);
  if (off) add(withoutColumn(arrangement, off, cylinder), 1);
  addNamed('probe', arrangement.probe.get(cylinder));
  if (arrangement.open) add(lagColumn(arrangement, cylinder), arrangement.open.get(cylinder) ?? 0);
  for (const [kind, sets] of [
    ['group', arrangement.group],
    ['injector', arrangement.injector],
  ] as const) {
    for (const [set, names] of sets)
      if (names.has(cylinder)) add({ kind, subject: `${names.get(cylinder)} of ${set}`, set }, arrangement.strength.get(set) ?? 1);
  }
  return parts;
}

export interface Observation {
  arrangement: Arrangement;
  temps: ReadonlyMap<number, number>;
}

/** The design without the levels of the holds: each row less the mean of its hold's. */
function stack(observations: readonly Observation[], columns: readonly EffectColumn[]): Matrix {
  return new Matrix(observations.flatMap(({ arrangement, temps }) => toRows(arrangement, columns, [...temps.keys()])));
}

/**
 * The same with the level of each hold as a column of its own, and the columns in the order that a ridge regression is quick in: those that act on
 * one cylinder alone, cylinder by cylinder, then those that several share, then the levels.
 */
interface Design {
  ridge: Ridge;
  /** Of each column of the model, its place in the ridge. */
  places: Int32Array;
  /** Number of readings. */
  readings: number;
}

function toDesign(observations: readonly Observation[], columns: readonly EffectColumn[]): Design {
  const known = placesOf(columns);
  const rows = observations.flatMap(({ arrangement, temps }, level) => {
    const mean = [...temps.values()].reduce((sum, temp) => sum + temp, 0) / temps.size;
    return [...temps].map(([cylinder, temp]) => ({ cylinder, level, value: temp - mean, parts: partsOf(arrangement, known, cylinder) }));
  });
  const ownerOf = new Array<number | undefined>(columns.length);
  for (const { cylinder, parts } of rows)
    for (const [j] of parts) ownerOf[j] = ownerOf[j] === undefined || ownerOf[j] === cylinder ? cylinder : Number.POSITIVE_INFINITY;
  const order = columns.map((_, j) => j).sort((a, b) => (ownerOf[a] ?? 0) - (ownerOf[b] ?? 0) || a - b);
  const places = new Int32Array(columns.length);
  for (const [at, j] of order.entries()) places[j] = at;
  const x = Matrix.zeros(rows.length, columns.length + observations.length);
  for (const [i, { level, parts }] of rows.entries()) {
    for (const [j, weight] of parts) x.set(i, places[j] as number, weight);
    x.set(i, columns.length + level, 1);
  }
  return { ridge: new Ridge(x, Matrix.columnVector(rows.map(({ value }) => value))), places, readings: rows.length };
}

/**
 * Ridge regression with its weights unknown: the effects of one kind share a scatter, a hold's own level is free. First the scatters and the noise
 * under which the holds are likeliest are found (expectation-maximisation, by which the evidence is judged), then effects, scatters and noise are
 * drawn together (Gibbs sampler). Intervals from the likeliest scatters alone are too narrow: cylinder, probe and injectors of one port look alike,
 * and it is the scatters that say how a deviation splits between them. Source: Gelman et al., Bayesian Data Analysis, hierarchical linear models.
 */
export function weighEffects(observations: readonly Observation[], columns: EffectColumn[]): WeighedModel {
  const design = toDesign(observations, columns);
  const weights = likeliestWeights(design, columns);
  return {
    observations,
    columns,
    design,
    weights,
    evidence: evidenceOf(design.ridge, weights),
    separable: separableBy(observations, columns),
  };
}

/** A model with its weights, before anything is drawn from it. */
export interface WeighedModel extends Pick<FittedModel, 'columns' | 'separable'> {
  observations: readonly Observation[];
  design: Design;
  weights: Weights;
  /** Logarithm of the evidence, but for a constant of the holds: the larger, the better these columns and weights tell them. */
  evidence: number;
}

/** `share`: of all draws that are kept. */
export function drawModel({ observations, columns, design, weights, separable }: WeighedModel, share = 1): FittedModel {
  const drawn = drawEffects(design, weights, Math.max(drawTurnsMin, Math.round(share * drawTurns)));
  return { columns, ...drawn, separable, standing: checkStanding(observations, columns, [...drawn.mean]) };
}

/**
 * Models of the same holds and columns that differ in what is assumed, each believed as its evidence says (Bayesian model averaging: Hoeting et al.
 * 1999). `shares`: how much each is believed.
 */
export function mixModels(models: readonly FittedModel[], shares: readonly number[]): FittedModel {
  const total = shares.reduce((sum, share) => sum + share, 0);
  const weights = shares.map((share) => share / total);
  const likeliest = models[weights.indexOf(Math.max(...weights))] as FittedModel;
  const mean = likeliest.mean.map((_, j) => models.reduce((sum, model, i) => sum + (weights[i] as number) * (model.mean[j] as number), 0));
  const covariance = Matrix.zeros(mean.length, mean.length);
  for (const [i, model] of models.entries()) {
    const off = Matrix.columnVector(model.mean.map((value, j) => value - (mean[j] as number)));
    covariance.add(Matrix.add(model.covariance, off.mmul(off.transpose())).mul(weights[i] as number));
  }
  return {
    ...likeliest,
    mean,
    covariance,
    noiseK: models.reduce((sum, { noiseK }, i) => sum + (weights[i] as number) * noiseK, 0),
    draws: models.flatMap(({ draws }, i) => thinned(draws, Math.round((weights[i] as number) * drawTurns))),
  };
}

/** So many of all draws, spread over them evenly. */
function thinned(draws: readonly Float64Array[], count: number): Float64Array[] {
  const kept = Math.min(count, draws.length);
  return Array.from({ length: kept }, (_, i) => draws[Math.floor((i * draws.length) / kept)] as Float64Array);
}

/** What the fit doesn't know beside the effects. */
interface Weights {
  kinds: Kind[];
  /** Of each column of the ridge, K²: its kind's, more for an effect that stands out; a level may be anything. */
  variances: Float64Array;
  /** K². */
  noise: number;
}

function likeliestWeights({ ridge, places, readings }: Design, columns: readonly EffectColumn[]): Weights {
  const kinds = toKinds(columns, places);
  const variances = new Float64Array(ridge.size).fill((2 * usualPortScatterK) ** 2).fill(levelScatterK ** 2, places.length);
  for (const [j, { kind }] of columns.entries()) if (kind === 'lag') variances[places[j] as number] = lagVariance;
  let noise = usualNoiseK ** 2;
  for (let round = 0; round < roundsMax; round++) {
    ridge.weigh(variances, noise);
    const mean = ridge.mean();
    const covariance = ridge.covariance();
    const own = (j: number) => covariance[j * ridge.size + j] as number;
    // Trace of C XᵀX, by way of C (XᵀX / noise + 1 / variances) = 1.
    let fitted = 0;
    for (let j = 0; j < ridge.size; j++) fitted += 1 - own(j) / (variances[j] as number);
    const moved = Math.max(...kinds.map((kind) => setScatter(kind, (j) => (mean[j] as number) ** 2 + own(j), variances)), 0);
    noise = (ridge.squaredResidual(mean) + noise * fitted + noiseBelief * usualNoiseK ** 2) / (readings + noiseBelief);
    if (moved < settledShare) break;
  }
  return { kinds, variances, noise };
}

/** −½ (log determinant + quadratic form) of the holds under the fitted scatter and noise, by way of the posterior. */
function evidenceOf(ridge: Ridge, { variances, noise }: Weights): number {
  ridge.weigh(variances, noise);
  const mean = ridge.mean();
  let total = ridge.rows * Math.log(noise) + ridge.logDeterminant() + ridge.squaredResidual(mean) / noise;
  for (const [j, variance] of variances.entries()) total += Math.log(variance) + (mean[j] as number) ** 2 / variance;
  return -total / 2;
}

/** Gibbs sampler from the likeliest weights on: effects given weights, then weights given effects. */
function drawEffects(
  { ridge, places, readings }: Design,
  { kinds, variances, noise: firstNoise }: Weights,
  turns: number,
): Pick<FittedModel, 'mean' | 'covariance' | 'noiseK' | 'draws'> {
  const { normal, gamma } = randomDraws(drawSeed);
  const size = places.length;
  const ofModel = (found: Float64Array) => Float64Array.from(places, (at) => found[at] as number);
  const draws: Float64Array[] = [];
  const means: Float64Array[] = [];
  const covariance = new Float64Array(size * size);
  let noise = firstNoise;
  let noiseSum = 0;
  for (let turn = -settlingTurns; turn < turns; turn++) {
    ridge.weigh(variances, noise);
    const effects = ridge.draw(normal);
    if (turn >= 0) {
      draws.push(ofModel(effects));
      noiseSum += noise;
      if (turn % covarianceEvery === 0) {
        means.push(ofModel(ridge.mean()));
        const left = ridge.covariance();
        for (let i = 0; i < size; i++) {
          const row = (places[i] as number) * ridge.size;
          for (let j = 0; j < size; j++)
            covariance[i * size + j] = (covariance[i * size + j] as number) + (left[row + (places[j] as number)] as number);
        }
      }
    }
    for (const kind of kinds) {
      let sum = scatterBelief * kind.usual;
      for (const j of kind.members) {
        const square = (effects[j] as number) ** 2;
        const weight = gamma((tailFreedom + 1) / 2) / ((tailFreedom + square / kind.scatter) / 2);
        variances[j] = 1 / weight;
        sum += weight * square;
      }
      kind.scatter = sum / 2 / gamma((kind.members.length + scatterBelief) / 2);
      for (const j of kind.members) variances[j] = (variances[j] as number) * kind.scatter;
    }
    noise = (ridge.squaredResidual(effects) + noiseBelief * usualNoiseK ** 2) / 2 / gamma((readings + noiseBelief) / 2);
  }
  // The law of total covariance: what each turn leaves open, and how far the turns lie apart.
  const mean = new Float64Array(size);
  for (const of of means) for (let j = 0; j < size; j++) mean[j] = (mean[j] as number) + (of[j] as number) / means.length;
  for (let i = 0; i < size; i++) {
    for (let j = 0; j < size; j++) {
      let apart = 0;
      for (const of of means) apart += ((of[i] as number) - (mean[i] as number)) * ((of[j] as number) - (mean[j] as number));
      covariance[i * size + j] = ((covariance[i * size + j] as number) + apart) / means.length;
    }
  }
  return { mean, covariance: Matrix.from1DArray(size, size, covariance), noiseK: Math.sqrt(noiseSum / turns), draws };
}

/** Which effects these holds' arrangements separate, by column. */
export function separableBy(observations: readonly Observation[], columns: readonly EffectColumn[]): boolean[] {
  return findSeparable(stack(observations, columns), columns, observations);
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
function setScatter(kind: Kind, squareOf: (j: number) => number, variances: Float64Array): number {
  const squares = kind.members.map(squareOf);
  const weights = squares.map((square) => (tailFreedom + 1) / (tailFreedom + square / kind.scatter));
  const sum = squares.reduce((total, square, i) => total + square * (weights[i] as number), 0);
  const before = kind.scatter;
  kind.scatter = (sum + scatterBelief * kind.usual) / (kind.members.length + scatterBelief);
  for (const [i, j] of kind.members.entries()) variances[j] = kind.scatter / (weights[i] as number);
  return Math.abs(kind.scatter / before - 1);
}

interface Kind {
  /** Columns of the ridge. */
  members: number[];
  /** Usual variance and that of these holds, K². */
  usual: number;
  scatter: number;
}

/** `places`: of each column, that of the ridge. */
function toKinds(columns: readonly EffectColumn[], places: Int32Array): Kind[] {
  const kindOf = (members: readonly number[]) => (columns[members[0] as number] as EffectColumn).kind;
  // Of lags the scatter is known.
  const byKind = [...groupColumns(columns).values()].filter((members) => kindOf(members) !== 'lag');
  const parts = byKind.filter((members) => ['cylinder', 'probe', 'injector'].includes(kindOf(members))).length;
  return byKind.map((members) => {
    const usual = isEffect(kindOf(members)) ? usualPortScatterK ** 2 / Math.max(1, parts) : usualLoadScatterK ** 2;
    return { members: members.map((j) => places[j] as number), usual, scatter: usual };
  });
}

/**
 * Every effect with its 90 % interval, largest first, as the difference from the middle one of its kind (the groups of one set, the banks, all
 * probes, ...): temperatures within a hold tell nothing else, and from the mean one bad part would make all the others look off the other way.
 * What can't be separated carries no number.
 */
export function toEstimates(model: FittedModel): EffectEstimate[] {
  const round = (value: number) => Math.round(value * 10) / 10;
  const contrasts = [...groupColumns(model.columns).values()].flatMap((mates) => {
    const isTold = isEffect((model.columns[mates[0] as number] as EffectColumn).kind) && mates.some((j) => model.separable[j]);
    return isTold ? contrastsOf(model, mates) : [];
  });
  const told = new Map(contrasts.map((contrast) => [contrast.j, contrast]));
  return model.columns
    .flatMap(({ kind, subject }, j): EffectEstimate[] => {
      if (!isEffect(kind)) return [];
      const separable = model.separable[j] === true;
      const contrast = told.get(j);
      if (!separable || !contrast) return [{ kind, subject, kelvin: null, low: null, high: null, separable, verdict: 'not separated' }];
      const { kelvin, low, high, parts } = contrast;
      return [
        { kind, subject, kelvin: round(kelvin), low: round(low), high: round(high), separable, verdict: toVerdict(low, high, parts) },
      ];
    })
    .sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0));
}

/** What an estimate was computed from. */
export interface EffectBehind {
  /** The parts of its kind (groups of one set, banks, all probes, ...) with what the model makes of each, K. */
  mates: { subject: string; meanK: number }[];
  /** The middle one of them; 0 for an effect that stands alone. */
  middleK: number;
  kelvin: number;
  /** How many draws of all effects the interval was read from. */
  draws: number;
  /** It hangs on a single cylinder: its interval reaches to 0. */
  hangsOnOne: boolean;
}

/** Undefined for an effect that the model has not. */
export function findEffectBehind(model: FittedModel, kind: string, subject: string): EffectBehind | undefined {
  const j = model.columns.findIndex((column) => column.kind === kind && column.subject === subject);
  const column = model.columns[j];
  if (!column || !isEffect(column.kind)) return undefined;
  const mates = groupColumns(model.columns).get(`${kind} ${column.set ?? ''}`) as number[];
  return {
    mates: mates.map((k) => ({ subject: model.columns[k]?.subject ?? '', meanK: model.mean[k] as number })),
    middleK: middleOf(model.mean, mates),
    kelvin: leaningOf(model, j),
    draws: model.draws.length,
    hangsOnOne: model.standing.get(j)?.hangsOnOne ?? false,
  };
}

/** Sum of the variances of all effects, each as the difference from the mean of its kind, K². */
export function uncertaintyOf(model: FittedModel): number {
  return centredCovariance(model).trace();
}

/** Q C, where Q takes each effect as the difference from the mean of its kind, and leaves out what isn't reported. */
export function centredCovariance({ columns, covariance }: FittedModel): Matrix {
  const centred = Matrix.zeros(covariance.rows, covariance.columns);
  for (const members of groupColumns(columns).values()) {
    if (!isEffect((columns[members[0] as number] as EffectColumn).kind)) continue;
    const rows = covariance.subMatrixRow(members);
    if (members.length > 1) rows.center('column');
    for (const [i, j] of members.entries()) centred.setRow(j, rows.getRow(i));
  }
  return centred;
}

/** `parts`: how many of its kind there are; 15 K between two parts are ± 7.5 K from their middle, and position is half of front less rear. */
function toVerdict(low: number, high: number, parts: number): EffectVerdict {
  const least = parts > 2 ? noEffectK : noEffectK / 2;
  if (Math.max(Math.abs(low), Math.abs(high)) < least) return 'no effect';
  return low > 0 || high < 0 ? 'effect' : 'not enough holds to tell';
}

/** What the model makes of one column, as the difference from the middle one of its kind, K; where it isn't separated, for ranking alone. */
export function leaningOf(model: FittedModel, j: number): number {
  const { kind, set } = model.columns[j] as EffectColumn;
  return (model.mean[j] as number) - middleOf(model.mean, groupColumns(model.columns).get(`${kind} ${set ?? ''}`) as number[]);
}

/** The median of some columns; 0 of one alone, which has nothing to differ from. */
function middleOf(effects: Float64Array, mates: readonly number[]): number {
  if (mates.length < 2) return 0;
  return medianOf(mates.map((k) => effects[k] as number)) as number;
}

interface Contrast {
  j: number;
  kelvin: number;
  low: number;
  high: number;
  /** How many of its kind there are. */
  parts: number;
}

/** The parts of one kind less the middle one of them, with their intervals. */
function contrastsOf(model: FittedModel, mates: readonly number[]): Contrast[] {
  const middles = model.draws.map((effects) => middleOf(effects, mates));
  const middle = middleOf(model.mean, mates);
  return mates.map((j) => {
    const kelvin = (model.mean[j] as number) - middle;
    const drawn = Float64Array.from(model.draws, (effects, turn) => (effects[j] as number) - (middles[turn] as number)).sort();
    const at = (share: number) => drawn[Math.round(share * (drawn.length - 1))] as number;
    // One odd cylinder makes no bank and no position.
    const reach = model.standing.get(j)?.hangsOnOne ? 0 : kelvin;
    const low = Math.min(at(outsideShare), kelvin, reach);
    const high = Math.max(at(1 - outsideShare), kelvin, reach);
    return { j, kelvin, low, high, parts: mates.length };
  });
}
