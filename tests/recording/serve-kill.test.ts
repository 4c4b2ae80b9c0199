// A kill of the whole server, frames coming through a serial line from a process outside of it. `npm run fault` does it 200 times. Tried
// again where other work of the machine kept the server from its processor: then the recorder says `slow`, and 250 ms don't hold.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { expect, it } from 'vitest';

interface ServeTrials {
  whyNoServeTrial(): string | undefined;
  serveTrial(trial: { data: string; framesPerSecond: number; killAfterMs: number }): Promise<{
    sent: number;
    recorded: number;
    missingMs: number;
    damage: unknown[];
    state: string;
  }>;
}

const { serveTrial, whyNoServeTrial } = (await import('../fault/serve-trial.mjs' as string)) as ServeTrials;

it('a kill of the whole server loses at most the last 250 ms, nothing in the middle, and damages nothing', {
  timeout: 60_000,
  retry: 2,
}, async ({ skip }) => {
  const whyNot = whyNoServeTrial();
  if (whyNot) skip(whyNot);
  const data = mkdtempSync(join(tmpdir(), 'evenburn-serve-kill-'));
  try {
    // Far from full load: the tests share the machine. Full load is `npm run fault`.
    const { sent, recorded, missingMs, damage, state } = await serveTrial({ data, framesPerSecond: 1000, killAfterMs: 2200 });
    expect(damage).toEqual([]);
    expect(state).toBe('killed');
    expect(recorded).toBeGreaterThan(sent / 2);
    expect(missingMs).toBeLessThan(250);
  } finally {
    rmSync(data, { recursive: true, force: true });
  }
});
