// Normal and gamma deviates from a seeded generator: the same holds give the same intervals, always. Pure.

/** Uniform numbers between 0 and 1, both left out (mulberry32, public domain). */
function uniformFrom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return (((t ^ (t >>> 14)) >>> 0) + 0.5) / 4294967296;
  };
}

export interface RandomDraws {
  /** Mean 0, variance 1. Source: Box and Muller 1958. */
  normal(): number;
  /** Mean and variance `shape`; `shape` 1/3 and more. Source: Marsaglia and Tsang 2000, A simple method for generating gamma variables. */
  gamma(shape: number): number;
}

export function randomDraws(seed: number): RandomDraws {
  const uniform = uniformFrom(seed);
  const normal = () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
  const gamma = (shape: number): number => {
    if (shape < 1) return gamma(shape + 1) * uniform() ** (1 / shape);
    const d = shape - 1 / 3;
    for (;;) {
      const x = normal();
      const v = (1 + x / Math.sqrt(9 * d)) ** 3;
      if (v > 0 && Math.log(uniform()) < 0.5 * x * x + d - d * v + d * Math.log(v)) return d * v;
    }
  };
  return { normal, gamma };
}
