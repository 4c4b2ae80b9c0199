// Ordinary least squares for the dyno's comparisons, checked against NIST's certified reference sets. Pure.
import { Matrix, QrDecomposition } from 'ml-matrix';

export interface LeastSquares {
  /** One a column, in the unit of y over that of the column. */
  coefficients: number[];
  /** Standard error of each; NaN with no degree of freedom left. */
  errors: number[];
  /** Standard deviation of the residuals. */
  residual: number;
  /** Share of the variance of y about its mean that is explained, 0 to 1. */
  explained: number;
  freedom: number;
}

/**
 * Fits y = Σ coefficient × column by Householder QR of the design with its columns scaled to length 1. An intercept is a column of ones.
 *
 * @param rows One row an observation.
 * @returns Undefined when there are fewer rows than columns, or the columns can't be told apart.
 * Source of the check: NIST Statistical Reference Datasets (Norris, Longley, Wampler1), in tests/dyno/least-squares.test.ts.
 */
export function fitLeastSquares(rows: readonly (readonly number[])[], y: readonly number[]): LeastSquares | undefined {
  const columns = rows[0]?.length ?? 0;
  if (columns === 0 || rows.length < columns || rows.length !== y.length) return undefined;
  const scales = Array.from({ length: columns }, (_, j) => Math.hypot(...rows.map((row) => row[j] as number)));
  if (scales.some((scale) => scale === 0)) return undefined;
  const x = new Matrix(rows.map((row) => row.map((value, j) => value / (scales[j] as number))));
  const qr = new QrDecomposition(x);
  const r = qr.upperTriangularMatrix;
  const diagonal = r.diagonal().map(Math.abs);
  if (Math.min(...diagonal) < 1e-11 * Math.max(...diagonal)) return undefined;
  const target = Matrix.columnVector([...y]);
  const solution = qr.solve(target);
  // One step of refinement takes most of the rounding of the first solution away.
  solution.add(qr.solve(Matrix.sub(target, x.mmul(solution))));
  const residuals = Matrix.sub(target, x.mmul(solution)).to1DArray();
  const square = residuals.reduce((sum, value) => sum + value * value, 0);
  const freedom = rows.length - columns;
  const residual = freedom > 0 ? Math.sqrt(square / freedom) : 0;
  const mean = y.reduce((sum, value) => sum + value, 0) / y.length;
  const total = y.reduce((sum, value) => sum + (value - mean) ** 2, 0);
  return {
    coefficients: solution.to1DArray().map((value, j) => value / (scales[j] as number)),
    errors: inverseRowLengths(r).map((length, j) => (freedom > 0 ? (residual * length) / (scales[j] as number) : Number.NaN)),
    residual,
    explained: total > 0 ? 1 - square / total : 1,
    freedom,
  };
}

/** Length of each row of R⁻¹: square root of the diagonal of (XᵀX)⁻¹. */
function inverseRowLengths(r: Matrix): number[] {
  const n = r.columns;
  const squares = new Array<number>(n).fill(0);
  for (let column = 0; column < n; column++) {
    const solved = new Array<number>(n).fill(0);
    for (let i = column; i >= 0; i--) {
      let sum = i === column ? 1 : 0;
      for (let k = i + 1; k <= column; k++) sum -= r.get(i, k) * (solved[k] as number);
      solved[i] = sum / r.get(i, i);
    }
    for (let i = 0; i <= column; i++) squares[i] = (squares[i] as number) + (solved[i] as number) ** 2;
  }
  return squares.map(Math.sqrt);
}
