// How tests wait: for a condition, looking again and again, for as long as the slowest machine that runs them may need.
import { vi } from 'vitest';

/** A machine with half our speed, busy with other tests. Where something never comes to be this is how long a failing test takes. */
const withinMs = 60_000;

/** Waits until what it expects is so, looking every `intervalMs`; the last failed expectation is the error. */
export function eventually<T>(expectation: () => T | Promise<T>, intervalMs = 20): Promise<T> {
  return vi.waitFor(expectation, { timeout: withinMs, interval: intervalMs });
}

/** Waits until what `look` gives satisfies `good`, and gives it. */
export async function untilSeen<T>(look: () => Promise<T>, good: (seen: T) => boolean): Promise<T> {
  for (const endMs = performance.now() + withinMs; ; ) {
    const seen = await look();
    if (good(seen)) return seen;
    if (performance.now() > endMs) throw new Error(`not within ${withinMs} ms; last seen: ${JSON.stringify(seen)}`);
    await new Promise((resolve) => setTimeout(resolve, 20));
  }
}

/** Waits until `holds` does, looking every few milliseconds. */
export async function until(holds: () => boolean, what: string): Promise<void> {
  const endMs = performance.now() + withinMs;
  while (!holds()) {
    if (performance.now() > endMs) throw new Error(`not within ${withinMs} ms: ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 2));
  }
}
