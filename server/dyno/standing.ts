// Bank and position, which nothing can exchange: whether their pattern goes through all cylinders or hangs on a single one. Pure.
import { Matrix, pseudoInverse } from 'ml-matrix';
import { type EffectColumn, type Observation, toRows } from './effects.ts';

export interface Standing {
  /** Leaving one cylinder out takes more than half of the effect away, or turns it: one odd cylinder makes no bank and no position. */
  hangsOnOne: boolean;
}

/** By column of the model, for banks and position alone. `mean` is the effects found; what groups make is taken out first. */
export function checkStanding(
  observations: readonly Observation[],
  columns: readonly EffectColumn[],
  mean: readonly number[],
): Map<number, Standing> {
  const standing = columns.flatMap(({ kind }, j) => (kind === 'bank' || kind === 'position' ? [j] : []));
  const first = observations[0];
  if (standing.length === 0 || !first) return new Map();
  const levels = levelsWithoutGroups(observations, columns, mean);
  const cylinders = [...levels.keys()];
  const design = (kept: readonly number[]) => toRows(first.arrangement, columns, kept).map((row) => standing.map((j) => row[j] as number));
  const effectsOf = (kept: readonly number[]): number[] => {
    const values = kept.map((cylinder) => levels.get(cylinder) as number);
    const level = values.reduce((sum, value) => sum + value, 0) / values.length;
    const found = pseudoInverse(new Matrix(design(kept))).mmul(Matrix.columnVector(values.map((value) => value - level)));
    return found.to1DArray();
  };
  const whole = effectsOf(cylinders);
  const without = cylinders.length > 3 ? cylinders.map((left) => effectsOf(cylinders.filter((cylinder) => cylinder !== left))) : [];
  return new Map(
    standing.map((j, at) => {
      const all = whole[at] as number;
      const hangsOnOne = without.some((fitted) => (fitted[at] as number) * Math.sign(all) < 0.5 * Math.abs(all));
      return [j, { hangsOnOne }];
    }),
  );
}

/** Mean deviation of each cylinder over all holds, less what its groups make. */
function levelsWithoutGroups(
  observations: readonly Observation[],
  columns: readonly EffectColumn[],
  mean: readonly number[],
): Map<number, number> {
  const groups = columns.flatMap(({ kind }, j) => (kind === 'group' ? [j] : []));
  const sums = new Map<number, { sum: number; count: number }>();
  for (const { arrangement, temps } of observations) {
    const cylinders = [...temps.keys()];
    const level = [...temps.values()].reduce((total, temp) => total + temp, 0) / temps.size;
    for (const [i, row] of toRows(arrangement, columns, cylinders).entries()) {
      const cylinder = cylinders[i] as number;
      const byGroup = groups.reduce((total, j) => total + (row[j] as number) * (mean[j] as number), 0);
      const so = sums.get(cylinder) ?? { sum: 0, count: 0 };
      so.sum += (temps.get(cylinder) as number) - level - byGroup;
      so.count++;
      sums.set(cylinder, so);
    }
  }
  return new Map([...sums].map(([cylinder, { sum, count }]) => [cylinder, sum / count]));
}
