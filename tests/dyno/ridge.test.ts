// Ridge regression by its factor against what is worked by hand and by another way of solving; deviates against their moments.
import { determinant, inverse, Matrix } from 'ml-matrix';
import { describe, expect, it } from 'vitest';
import { randomDraws } from '../../server/dyno/random-draws.ts';
import { Ridge } from '../../server/dyno/ridge.ts';

describe('ridge regression', () => {
  it('is as worked by hand', () => {
    // One column of ones, y = 2, 4, noise 2, variance 1: precision 2/2 + 1 = 2, mean (6/2)/2 = 1.5, residual 0.25 + 6.25.
    const ridge = new Ridge(new Matrix([[1], [1]]), Matrix.columnVector([2, 4]));
    ridge.weigh(Float64Array.of(1), 2);
    expect(ridge.mean()[0]).toBeCloseTo(1.5, 12);
    expect(ridge.covariance()[0]).toBeCloseTo(0.5, 12);
    expect(ridge.logDeterminant()).toBeCloseTo(Math.log(2), 12);
    expect(ridge.squaredResidual(Float64Array.of(1.5))).toBeCloseTo(6.5, 12);
  });

  it('is what the inverse of its precision gives, and draws scatter by its covariance', () => {
    const { normal } = randomDraws(3);
    const x = new Matrix(Array.from({ length: 12 }, () => Array.from({ length: 4 }, normal)));
    const y = Matrix.columnVector(Array.from({ length: 12 }, () => 5 * normal()));
    const variances = Float64Array.of(1, 4, 9, 0.5);
    const ridge = new Ridge(x, y);
    ridge.weigh(variances, 2);
    const precision = Matrix.mul(x.transpose().mmul(x), 0.5).add(Matrix.diag([...variances].map((variance) => 1 / variance)));
    const covariance = inverse(precision);
    const mean = covariance.mmul(x.transpose()).mmul(y).mul(0.5).to1DArray();
    for (const [j, value] of ridge.mean().entries()) expect(value).toBeCloseTo(mean[j] as number, 9);
    for (const [at, value] of ridge.covariance().entries()) expect(value).toBeCloseTo(covariance.to1DArray()[at] as number, 9);
    const draws = Array.from({ length: 20_000 }, () => ridge.draw(normal));
    for (let i = 0; i < 4; i++) {
      for (let j = 0; j < 4; j++) {
        const along =
          draws.reduce((sum, draw) => sum + ((draw[i] as number) - (mean[i] as number)) * ((draw[j] as number) - (mean[j] as number)), 0) /
          draws.length;
        // Five standard errors of a covariance from 20,000 draws, at most.
        const error = Math.sqrt((covariance.get(i, i) * covariance.get(j, j) + covariance.get(i, j) ** 2) / draws.length);
        expect(Math.abs(along - covariance.get(i, j))).toBeLessThan(5 * error);
      }
    }
  });

  it('is the same where columns meet few others, which a row of its factor passes over', () => {
    // Columns 0 and 1 meet in one block, 2 and 3 in another; 4 meets 3 alone, 5 all.
    const { normal } = randomDraws(4);
    const meets = [[0, 1, 5], [0, 1], [2, 3, 5], [2, 3], [3, 4], [5]];
    const rows = meets.flatMap((columns) => [1, 2].map(() => [0, 1, 2, 3, 4, 5].map((j) => (columns.includes(j) ? normal() : 0))));
    const x = new Matrix(rows);
    const y = Matrix.columnVector(rows.map(() => 5 * normal()));
    const ridge = new Ridge(x, y);
    ridge.weigh(Float64Array.of(1, 4, 9, 0.5, 2, 1e6), 2);
    const precision = Matrix.mul(x.transpose().mmul(x), 0.5).add(Matrix.diag([1, 1 / 4, 1 / 9, 2, 1 / 2, 1e-6]));
    const covariance = inverse(precision);
    const mean = covariance.mmul(x.transpose()).mmul(y).mul(0.5);
    for (const [j, value] of ridge.mean().entries()) expect(value).toBeCloseTo(mean.get(j, 0), 9);
    for (const [at, value] of ridge.covariance().entries()) expect(value).toBeCloseTo(covariance.to1DArray()[at] as number, 9);
    const residual = Matrix.sub(y, x.mmul(mean)).to1DArray();
    expect(ridge.squaredResidual(ridge.mean())).toBeCloseTo(
      residual.reduce((sum, value) => sum + value ** 2, 0),
      8,
    );
    expect(ridge.logDeterminant()).toBeCloseTo(Math.log(determinant(precision)), 9);
  });
});

describe('random draws', () => {
  it.each([0.5, 1.5, 2.5, 20])('of a gamma deviate of shape %d have its mean and its variance, which are its shape', (shape) => {
    const { gamma } = randomDraws(11);
    const draws = Array.from({ length: 40_000 }, () => gamma(shape));
    const mean = draws.reduce((sum, value) => sum + value, 0) / draws.length;
    const variance = draws.reduce((sum, value) => sum + (value - mean) ** 2, 0) / draws.length;
    // Standard errors: √(k / n) of the mean; √((2 k² + 6 k) / n) of the variance (fourth central moment 3 k² + 6 k).
    expect(Math.abs(mean - shape)).toBeLessThan(5 * Math.sqrt(shape / draws.length));
    expect(Math.abs(variance - shape)).toBeLessThan(5 * Math.sqrt((2 * shape ** 2 + 6 * shape) / draws.length));
  });

  it('are the same from the same seed', () => {
    const [a, b] = [randomDraws(5), randomDraws(5)];
    expect(Array.from({ length: 5 }, a.normal)).toEqual(Array.from({ length: 5 }, b.normal));
  });
});
