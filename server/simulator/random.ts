// Seeded random numbers of the simulator: the same seed and name give the same numbers on every machine.

/**
 * xoshiro128** (Blackman and Vigna, 2018, public domain), its state filled from seed and name by SplitMix32 over an FNV-1a hash.
 * Each use has a generator of its own, named for it, so that adding one thing to a vehicle doesn't change the numbers of another.
 */
export class Random {
  private a: number;
  private b: number;
  private c: number;
  private d: number;

  constructor(seed: number, name: string) {
    let hash = 0x811c9dc5;
    const text = `${seed}|${name}`;
    for (let i = 0; i < text.length; i++) hash = Math.imul(hash ^ text.charCodeAt(i), 0x01000193);
    const next = (): number => {
      hash = (hash + 0x9e3779b9) | 0;
      let z = hash;
      z = Math.imul(z ^ (z >>> 16), 0x21f0aaad);
      z = Math.imul(z ^ (z >>> 15), 0x735a2d97);
      return z ^ (z >>> 15);
    };
    this.a = next();
    this.b = next();
    this.c = next();
    this.d = next() | 1;
  }

  /** 32 random bits. */
  bits(): number {
    const x = Math.imul(this.b, 5);
    const result = Math.imul((x << 7) | (x >>> 25), 9) >>> 0;
    const t = this.b << 9;
    this.c ^= this.a;
    this.d ^= this.b;
    this.b ^= this.c;
    this.a ^= this.d;
    this.c ^= t;
    this.d = (this.d << 11) | (this.d >>> 21);
    return result;
  }

  /** Evenly from `low` up to, not including, `high`. */
  between(low: number, high: number): number {
    return low + (high - low) * (this.bits() / 4294967296);
  }

  /** Normal with this standard deviation, from the sum of four even numbers: bounded at 3.46 deviations, as a real sensor's noise is. */
  normal(deviation: number): number {
    const sum = this.bits() + this.bits() + this.bits() + this.bits();
    return deviation * (sum / 4294967296 - 2) * Math.sqrt(3);
  }

  /** Waiting time until the next of events that come `mean` apart on average. */
  wait(mean: number): number {
    return -mean * Math.log(1 - this.between(0, 1));
  }
}
