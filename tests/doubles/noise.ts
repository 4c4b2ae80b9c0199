// Normal noise from a seed, for tests that need readings with a known scatter.
import { randomFrom } from './can-trace.ts';

/** Draws from the standard normal distribution (Box and Muller). */
export function noiseFrom(seed: number): () => number {
  const random = randomFrom(seed);
  return () => Math.sqrt(-2 * Math.log(1 - random())) * Math.cos(2 * Math.PI * random());
}
