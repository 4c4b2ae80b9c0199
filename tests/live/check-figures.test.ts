// The number of a verdict of the check that runs, and of a kept run whose session is gone.
import { expect, it } from 'vitest';
import { channelsCounted } from '../../server/checks/counted-measures.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { type CheckFigureParts, explainCheckFigure } from '../../server/live/check-figures.ts';

const verdicts = [
  { code: 'bus-load', ok: true, bus: 'engine', measured: 31, say: 'load' },
  { code: 'wiggle', ok: true, measured: 0, say: 'nothing moved' },
  { code: 'fuel-delta', ok: false, channel: 'fuel_delta_port', set: 'port', measured: 180, limit: 270, at: 4, say: 'delta is 180 kPa' },
];
const result = { check: 'first-start', frames: 10, seconds: 20, verdicts };
const state = { check: 'first-start', seconds: 20, startedUs: 60_000_000, result };
const run = { check: 'first-start', seconds: 20, session: 5, startedWallMs: 101_000, result };

const vehicle = await getVehicle('bus-definitions/garganey');

const parts = {
  vehicle,
  checks: { guided: { state: () => state }, runs: { get: async () => run } },
  recording: 8,
  detail: async () => ({ fromUs: 7_000_000, session: { startedWallMs: 100_000 } }),
} as unknown as CheckFigureParts;

it('of the check that runs is laid on the session that is recorded', async () => {
  expect(await explainCheckFigure(parts, ['running', '2', 'fuel-delta'])).toMatchObject({
    value: 180,
    unit: 'kPa',
    channels: [{ session: 8, channel: 'fuel_delta_port', atUs: 64_000_000 }],
  });
});

it('of a kept run is laid on its session by the wall clock, a second behind its first frame', async () => {
  expect(await explainCheckFigure(parts, ['3', '2', 'fuel-delta'])).toMatchObject({ channels: [{ session: 5, atUs: 12_000_000 }] });
});

it('of a run whose session is gone is told without a chain', async () => {
  const gone = { ...parts, detail: () => Promise.reject(new Error('SESSION_UNKNOWN')) } as unknown as CheckFigureParts;
  expect(await explainCheckFigure(gone, ['3', '2', 'fuel-delta'])).toMatchObject({ value: 180, channels: [{ session: null }] });
});

it('is none where another verdict came to its place, none is there, or nothing was counted', async () => {
  for (const key of [['running', '1', 'prime'], ['running', '7', 'prime'], ['running', '1', 'wiggle'], ['running'], []])
    expect([key, await explainCheckFigure(parts, key)]).toEqual([key, undefined]);
});

it('of what is counted from frames leads to the bus, or to the first signal of the frame or of the device', async () => {
  expect(await explainCheckFigure(parts, ['running', '0', 'bus-load'])).toMatchObject({
    value: 31,
    unit: '%',
    channels: [{ session: 8, channel: 'bus_load_engine', atUs: 70_000_000 }],
  });
  // By hand from devices/thermocouple-box.yaml.
  expect(channelsCounted({ code: 'frame-late', bus: 'engine', device: 'thermocouple-box', frame: 'exhaust_5_to_6' }, vehicle)).toEqual([
    'exhaust_temp_5',
  ]);
  expect(channelsCounted({ code: 'device-missing', bus: 'engine', device: 'thermocouple-box' }, vehicle)).toEqual(['exhaust_temp_1']);
  expect(channelsCounted({ code: 'id-unknown', bus: 'engine' }, vehicle)).toEqual([]);
});
