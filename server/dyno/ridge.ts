// Ridge regression solved again and again with other weights: one Cholesky factor a turn, and what can be read from it. Pure.
import type { Matrix } from 'ml-matrix';

/**
 * Posterior of y = X b + noise with b_j ~ N(0, variance_j): precision A = XᵀX / noise + diag(1 / variance) = L Lᵀ, mean A⁻¹ Xᵀy / noise.
 * Everything is computed from XᵀX and Xᵀy, so that a turn costs nothing of how many rows there are. A row of L begins where that of XᵀX does
 * (its envelope: A. George, J. W. H. Liu, Computer Solution of Large Sparse Positive Definite Systems): columns that meet few others should
 * stand first, next to those they meet.
 */
export class Ridge {
  /** Number of columns. */
  readonly size: number;
  readonly rows: number;
  private readonly xtx: Float64Array;
  private readonly xty: Float64Array;
  private readonly yty: number;
  /** Lower triangle by rows. */
  private readonly lower: Float64Array;
  private readonly scaled: Float64Array;
  /** Of each row of L the first column that isn't 0, and the same of its inverse. */
  private readonly first: Int32Array;
  private readonly inverseFirst: Int32Array;

  constructor(x: Matrix, y: Matrix) {
    this.size = x.columns;
    this.rows = x.rows;
    const turned = x.transpose();
    this.xtx = Float64Array.from(turned.mmul(x).to1DArray());
    this.xty = Float64Array.from(turned.mmul(y).to1DArray());
    this.yty = y.to1DArray().reduce((sum, value) => sum + value * value, 0);
    this.lower = new Float64Array(this.size * this.size);
    this.scaled = new Float64Array(this.size);
    this.first = Int32Array.from({ length: this.size }, (_, i) => {
      let j = 0;
      while (j < i && this.xtx[i * this.size + j] === 0) j++;
      return j;
    });
    this.inverseFirst = this.first.slice();
    for (let i = 0; i < this.size; i++) {
      for (let k = this.first[i] as number; k < i; k++)
        this.inverseFirst[i] = Math.min(this.inverseFirst[i] as number, this.inverseFirst[k] as number);
    }
  }

  /** Sets the weights; all that is read afterwards belongs to them. */
  weigh(variances: Float64Array, noise: number): void {
    const { size, lower, xtx, xty, scaled, first } = this;
    for (let i = 0; i < size; i++) {
      const begin = first[i] as number;
      scaled[i] = (xty[i] as number) / noise;
      for (let j = begin; j <= i; j++) {
        let sum = (xtx[i * size + j] as number) / noise + (i === j ? 1 / (variances[i] as number) : 0);
        for (let k = Math.max(begin, first[j] as number); k < j; k++)
          sum -= (lower[i * size + k] as number) * (lower[j * size + k] as number);
        lower[i * size + j] = i === j ? Math.sqrt(sum) : sum / (lower[j * size + j] as number);
      }
    }
  }

  mean(): Float64Array {
    return this.draw(() => 0);
  }

  /** One draw from the posterior: L⁻ᵀ (L⁻¹ Xᵀy / noise + standard normal). */
  draw(normal: () => number): Float64Array {
    const { size, lower, first } = this;
    const found = Float64Array.from(this.scaled);
    for (let i = 0; i < size; i++) {
      let sum = found[i] as number;
      for (let k = first[i] as number; k < i; k++) sum -= (lower[i * size + k] as number) * (found[k] as number);
      found[i] = sum / (lower[i * size + i] as number);
    }
    for (let i = 0; i < size; i++) found[i] = (found[i] as number) + normal();
    for (let i = size - 1; i >= 0; i--) {
      const value = (found[i] as number) / (lower[i * size + i] as number);
      found[i] = value;
      for (let k = first[i] as number; k < i; k++) found[k] = (found[k] as number) - (lower[i * size + k] as number) * value;
    }
    return found;
  }

  /** A⁻¹ by rows, from the inverse of its factor. */
  covariance(): Float64Array {
    const { size, lower, first, inverseFirst } = this;
    const inverse = new Float64Array(size * size);
    const covariance = new Float64Array(size * size);
    for (let i = 0; i < size; i++) {
      const root = lower[i * size + i] as number;
      const begin = inverseFirst[i] as number;
      for (let j = begin; j < i; j++) {
        let sum = 0;
        for (let k = Math.max(j, first[i] as number); k < i; k++)
          sum -= (lower[i * size + k] as number) * (inverse[k * size + j] as number);
        inverse[i * size + j] = sum / root;
      }
      inverse[i * size + i] = 1 / root;
      for (let j = begin; j <= i; j++) {
        const row = inverse[i * size + j] as number;
        for (let k = begin; k <= j; k++)
          covariance[j * size + k] = (covariance[j * size + k] as number) + row * (inverse[i * size + k] as number);
      }
    }
    for (let j = 0; j < size; j++) for (let k = 0; k < j; k++) covariance[k * size + j] = covariance[j * size + k] as number;
    return covariance;
  }

  logDeterminant(): number {
    let sum = 0;
    for (let i = 0; i < this.size; i++) sum += 2 * Math.log(this.lower[i * this.size + i] as number);
    return sum;
  }

  /** |y − X b|². */
  squaredResidual(b: Float64Array): number {
    const { size, xtx, xty, first } = this;
    let sum = this.yty;
    for (let i = 0; i < size; i++) {
      const value = b[i] as number;
      let along = (xtx[i * size + i] as number) * value - 2 * (xty[i] as number);
      for (let j = first[i] as number; j < i; j++) along += 2 * (xtx[i * size + j] as number) * (b[j] as number);
      sum += value * along;
    }
    return Math.max(0, sum);
  }
}
