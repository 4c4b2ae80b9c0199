// What a fitted model makes of arrangements that are only thought of: deviations to expect, and what a hold there would teach. Pure.
import { inverse, Matrix } from 'ml-matrix';
import { type Arrangement, centredCovariance, type FittedModel, ownVarianceOf, type Part, partsOf, placesOf } from './effects.ts';

/**
 * What a fitted model makes of arrangements that are only thought of. There are up to a thousand of them, which differ in a few of the columns: so
 * what doesn't depend on the arrangement is computed once, and of each only the columns that act on a cylinder are touched.
 */
export class Forecast {
  private readonly model: FittedModel;
  readonly cylinders: readonly number[];
  private readonly places: ReadonlyMap<string, number>;
  private readonly covariance: RowForms;
  /** C Q C, where Q takes each effect as the difference from the mean of its kind, and leaves out what isn't reported. */
  private readonly square: RowForms;
  private readonly all: number;

  constructor(model: FittedModel, cylinders: readonly number[]) {
    this.model = model;
    this.cylinders = cylinders;
    this.places = placesOf(model.columns);
    const centred = centredCovariance(model);
    const forms = (a: Matrix) => new RowForms(Float64Array.from(a.to1DArray()), model.columns.length);
    this.covariance = forms(model.covariance);
    this.square = forms(model.covariance.mmul(centred));
    this.all = centred.trace();
  }

  /** Predicted deviation of each cylinder in an arrangement, K. */
  deviations(arrangement: Arrangement): number[] {
    const levels = this.cylinders.map((cylinder) =>
      partsOf(arrangement, this.places, cylinder).reduce((sum, [j, weight]) => sum + weight * (this.model.mean[j] as number), 0),
    );
    const mean = levels.reduce((sum, level) => sum + level, 0) / levels.length;
    return levels.map((level) => level - mean);
  }

  /**
   * Share of the uncertainty about all effects that one more hold in an arrangement takes away, 0 to 1. Rows R: the covariance C becomes
   * C − C Rᵀ (R C Rᵀ + noise² I)⁻¹ R C, so its trace falls by that of (R C Rᵀ + noise² I)⁻¹ R C C Rᵀ.
   */
  uncertaintyTaken(arrangement: Arrangement): number {
    if (!(this.all > 0)) return 0;
    const parts = this.cylinders.map((cylinder) => partsOf(arrangement, this.places, cylinder));
    const inner = this.covariance.centred(parts);
    const noise = this.model.noiseK ** 2 + ownVarianceOf(arrangement, this.places, this.cylinders[0] as number);
    for (let i = 0; i < inner.rows; i++) inner.set(i, i, inner.get(i, i) + noise);
    return traceOfProduct(inverse(inner), this.square.centred(parts)) / this.all;
  }
}

/** r A rᵀ for every pair of rows that were asked for, each computed once: arrangements that are thought of share nearly all of their rows. */
class RowForms {
  private readonly a: Float64Array;
  private readonly size: number;
  /** Of rows that look alike at a glance: their numbers. */
  private readonly ids = new Map<number, number[]>();
  private readonly rows: (readonly Part[])[] = [];
  private readonly forms: number[][] = [];

  /** `a`: symmetric, by rows of `size`. */
  constructor(a: Float64Array, size: number) {
    this.a = a;
    this.size = size;
  }

  /** R A Rᵀ, where the rows of R are given by their parts and counted from the mean row. */
  centred(rows: readonly (readonly Part[])[]): Matrix {
    const ids = rows.map((row) => this.idOf(row));
    const form = Matrix.zeros(rows.length, rows.length);
    for (const [i, left] of ids.entries()) {
      for (let k = 0; k <= i; k++) {
        const value = this.formOf(left, ids[k] as number);
        form.set(i, k, value);
        form.set(k, i, value);
      }
    }
    return form.center('row').center('column');
  }

  private idOf(row: readonly Part[]): number {
    const glance = row.reduce((sum, [j, weight], at) => sum + (j + 1) * (at + 1) * (weight + 1), 0);
    const alike = this.ids.get(glance) ?? [];
    this.ids.set(glance, alike);
    const known = alike.find((id) => isSameRow(this.rows[id] as readonly Part[], row));
    if (known !== undefined) return known;
    alike.push(this.rows.length);
    this.forms.push([]);
    return this.rows.push(row) - 1;
  }

  private formOf(left: number, right: number): number {
    const known = this.forms[left] as number[];
    known[right] ??= this.compute(this.rows[left] as readonly Part[], this.rows[right] as readonly Part[]);
    return known[right];
  }

  private compute(left: readonly Part[], right: readonly Part[]): number {
    let sum = 0;
    for (const [l, weight] of left) for (const [m, other] of right) sum += weight * other * (this.a[l * this.size + m] as number);
    return sum;
  }
}

function isSameRow(a: readonly Part[], b: readonly Part[]): boolean {
  return a.length === b.length && a.every(([j, weight], at) => j === b[at]?.[0] && weight === b[at]?.[1]);
}

/** Trace of A B for symmetric A and B. */
function traceOfProduct(a: Matrix, b: Matrix): number {
  let sum = 0;
  for (let i = 0; i < a.rows; i++) for (let j = 0; j < a.columns; j++) sum += a.get(i, j) * b.get(i, j);
  return sum;
}
