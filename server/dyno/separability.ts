// Which effects the arrangements of some holds can separate at all, whatever was measured: a question of the design alone. Pure.
import { EigenvalueDecomposition, Matrix } from 'ml-matrix';
import { type EffectColumn, isEffect, type Observation } from './effects.ts';

/** Part of a contrast outside of what the design can see up to which it still counts as seen. */
const unseenMax = 1e-6;
/** Of the standing kinds (bank, position): share of the variance that must be left once the other kinds are taken out. */
const ownShareMin = 0.4;
/** And so many cylinders more than effects, so that their own scatter can be told from them. */
const spareCylindersMin = 2;

/**
 * By column. An effect is separated when its difference from one other of its kind can be computed from the holds whatever all the others are:
 *
 * - *cylinder, probe, injector*: against each other only by exchanges; banks and position are left out beside them, since both are patterns
 *   over cylinders;
 * - *group*: against everything that stays with its cylinder (by another plan, or by the set off against on); not against single
 *   injectors, whose scatter it is judged by: with one set off the others give more, and so do their injectors' errors; nor against what single
 *   cylinders do while the set is off. A group that never fired more than one injector has no such scatter: it is told from that injector too;
 * - *bank, position*: nothing can exchange them for cylinders. They are judged by the scatter of the cylinders around them, where there are
 *   enough, and where no other bank, group or position makes nearly the same pattern.
 */
export function findSeparable(x: Matrix, columns: readonly EffectColumn[], observations: readonly Observation[]): boolean[] {
  const parts = new Seen(x, columns, ({ kind }) => kind !== 'bank' && kind !== 'position' && kind !== 'without' && kind !== 'lag');
  // A cylinder is the sum of what it does at each load point, so those stand back when cylinders are told from their parts.
  const cylinders = new Seen(x, columns, ({ kind }) => isEffect(kind) && kind !== 'bank' && kind !== 'position');
  const groups = new Seen(
    x,
    columns,
    ({ kind }) => kind !== 'bank' && kind !== 'position' && kind !== 'injector' && kind !== 'without' && kind !== 'lag',
  );
  const lone = findLoneGroups(columns, observations);
  const standing = toStanding(x, columns, observations);
  return columns.map((column, j) => {
    const mates = columns.flatMap(({ kind, set }, k) => (k !== j && kind === column.kind && set === column.set ? [k] : []));
    if (!isEffect(column.kind)) return false;
    if (column.kind === 'bank' || column.kind === 'position') return standing(j, mates);
    if (column.kind === 'group') return mates.some((k) => (lone.has(j) || lone.has(k) ? parts : groups).sees(j, k));
    return mates.some((k) => (column.kind === 'cylinder' ? cylinders : parts).sees(j, k));
  });
}

/** Columns of groups that never fired more than one injector: nothing scatters within them, so group and injector look alike. */
function findLoneGroups(columns: readonly EffectColumn[], observations: readonly Observation[]): Set<number> {
  const lone = columns.flatMap(({ kind, subject, set }, j) => {
    if (kind !== 'group' || set === undefined) return [];
    const fired = observations.flatMap(({ arrangement: { group, injector }, temps }) =>
      [...temps.keys()].flatMap((cylinder) =>
        `${group.get(set)?.get(cylinder)} of ${set}` === subject ? [injector.get(set)?.get(cylinder)] : [],
      ),
    );
    return new Set(fired).size > 1 ? [] : [j];
  });
  return new Set(lone);
}

/** The differences that some columns of a design can tell. */
class Seen {
  /** Row k: projection of unit vector k on what the design can't see. */
  private readonly unseen: Matrix;
  private readonly place = new Map<number, number>();

  constructor(x: Matrix, columns: readonly EffectColumn[], counts: (column: EffectColumn) => boolean) {
    const kept = columns.flatMap((column, j) => (counts(column) ? [j] : []));
    for (const [at, j] of kept.entries()) this.place.set(j, at);
    this.unseen = unseenProjection(pick(x, kept));
  }

  /** Whether effect j less effect k is fixed by the holds. */
  sees(j: number, k: number): boolean {
    const [a, b] = [this.place.get(j) as number, this.place.get(k) as number];
    let square = 0;
    for (let i = 0; i < this.unseen.rows; i++) square += (this.unseen.get(i, a) - this.unseen.get(i, b)) ** 2;
    return Math.sqrt(square) < unseenMax * 1000;
  }
}

function pick(x: Matrix, columns: readonly number[]): Matrix {
  return x.subMatrixColumn([...columns]);
}

/** I − X⁺X, from the eigenvectors of XᵀX whose eigenvalue is 0. */
function unseenProjection(x: Matrix): Matrix {
  const n = x.columns;
  const projection = Matrix.zeros(n, n);
  if (n === 0) return projection;
  const { realEigenvalues, eigenvectorMatrix } = new EigenvalueDecomposition(x.transpose().mmul(x), { assumeSymmetric: true });
  const largest = Math.max(1e-12, ...realEigenvalues);
  for (const [at, value] of realEigenvalues.entries()) {
    if (value > unseenMax * largest) continue;
    const vector = eigenvectorMatrix.getColumnVector(at);
    projection.add(vector.mmul(vector.transpose()));
  }
  return projection;
}

/** Judge of bank and position: seen at all among the standing kinds, little inflated by them, and with cylinders to spare. */
function toStanding(
  x: Matrix,
  columns: readonly EffectColumn[],
  observations: readonly Observation[],
): (j: number, mates: number[]) => boolean {
  const kept = columns.flatMap(({ kind }, j) => (kind === 'bank' || kind === 'position' || kind === 'group' ? [j] : []));
  const cylinders = new Set(observations.flatMap(({ temps }) => [...temps.keys()])).size;
  const all = pick(x, kept);
  const unseen = unseenProjection(all);
  const still = columns.flatMap(({ kind }, j) => (kind === 'bank' || kind === 'position' ? [j] : []));
  const spare = cylinders - 1 - rankOf(pick(x, still)) >= spareCylindersMin;
  return (j, mates) => {
    if (!spare) return false;
    return (mates.length === 0 ? [undefined] : mates).some((k) => {
      const weights = kept.map((column) => (column === j ? 1 : column === k ? -1 : 0));
      const lost = unseen.mmul(Matrix.columnVector(weights)).to1DArray();
      if (Math.hypot(...lost) > unseenMax * 1000) return false;
      const alone = kept.flatMap((column, at) => (columns[column]?.kind === columns[j]?.kind ? [at] : []));
      const variance = varianceOf(all, weights);
      const varianceAlone = varianceOf(
        all.subMatrixColumn(alone),
        alone.map((at) => weights[at] as number),
      );
      return varianceAlone >= ownShareMin * variance;
    });
  };
}

/** Variance of a contrast per unit of noise: wᵀ (XᵀX)⁺ w. */
function varianceOf(x: Matrix, weights: number[]): number {
  const { realEigenvalues, eigenvectorMatrix } = new EigenvalueDecomposition(x.transpose().mmul(x), { assumeSymmetric: true });
  const largest = Math.max(1e-12, ...realEigenvalues);
  return realEigenvalues.reduce((sum, value, at) => {
    if (value <= unseenMax * largest) return sum;
    const along = eigenvectorMatrix.getColumn(at).reduce((total, entry, i) => total + entry * (weights[i] as number), 0);
    return sum + along ** 2 / value;
  }, 0);
}

function rankOf(x: Matrix): number {
  if (x.columns === 0) return 0;
  const values = new EigenvalueDecomposition(x.transpose().mmul(x), { assumeSymmetric: true }).realEigenvalues;
  const largest = Math.max(...values);
  return largest <= 0 ? 0 : values.filter((value) => value > unseenMax * largest).length;
}
