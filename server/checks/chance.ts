// How likely counts are by chance. Pure.

/** Probability of `count` or more events where `expected` are expected (Poisson). */
export function atLeastByChance(count: number, expected: number): number {
  let term = Math.exp(-expected);
  let below = 0;
  for (let i = 0; i < count; i++) {
    below += term;
    term *= expected / (i + 1);
  }
  return 1 - below;
}
