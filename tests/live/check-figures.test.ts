// The number of a verdict of the check that runs, and of a kept run whose session is gone.
import { expect, it } from 'vitest';
import { type CheckFigureParts, explainCheckFigure } from '../../server/live/check-figures.ts';

const verdicts = [
  { code: 'bus-load', ok: true, measured: 31, say: 'load' },
  { code: 'fuel-delta', ok: false, channel: 'fuel_delta_port', set: 'port', measured: 180, limit: 270, at: 4, say: 'delta is 180 kPa' },
];
const result = { check: 'first-start', frames: 10, seconds: 20, verdicts };
const state = { check: 'first-start', seconds: 20, startedUs: 60_000_000, result };
const run = { check: 'first-start', seconds: 20, session: 5, startedWallMs: 101_000, result };

const parts = {
  checks: { guided: { state: () => state }, runs: { get: async () => run } },
  recording: 8,
  detail: async () => ({ fromUs: 7_000_000, session: { startedWallMs: 100_000 } }),
} as unknown as CheckFigureParts;

it('of the check that runs is laid on the session that is recorded', async () => {
  expect(await explainCheckFigure(parts, ['running', '1', 'fuel-delta'])).toMatchObject({
    value: 180,
    unit: 'kPa',
    channels: [{ session: 8, channel: 'fuel_delta_port', atUs: 64_000_000 }],
  });
});

it('of a kept run is laid on its session by the wall clock, a second behind its first frame', async () => {
  expect(await explainCheckFigure(parts, ['3', '1', 'fuel-delta'])).toMatchObject({ channels: [{ session: 5, atUs: 12_000_000 }] });
});

it('of a run whose session is gone is told without a chain', async () => {
  const gone = { ...parts, detail: () => Promise.reject(new Error('SESSION_UNKNOWN')) } as unknown as CheckFigureParts;
  expect(await explainCheckFigure(gone, ['3', '1', 'fuel-delta'])).toMatchObject({ value: 180, channels: [{ session: null }] });
});

it('is none where another verdict came to its place, none is there, or no channel was measured', async () => {
  for (const key of [['running', '1', 'prime'], ['running', '7', 'prime'], ['running', '0', 'bus-load'], ['running'], []])
    expect([key, await explainCheckFigure(parts, key)]).toEqual([key, undefined]);
});
