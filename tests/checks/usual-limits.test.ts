// Limits are told with their sources, and are the user's to change.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { toLimitKey, withUsersLimits } from '../../server/checks/check-limits.ts';
import { findProcedure } from '../../server/checks/procedure.ts';
import { usualLimits } from '../../server/checks/usual-limits.ts';
import type { CheckResult } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const box = {
  path: 'devices/box.yaml',
  text: 'device: box\nframes:\n  - { name: f, id: 1, length: 1, signals: [{ name: a, bytes: 0 }] }\n',
};

function judgedBy(checks: string): { result: CheckResult; limits: ReturnType<typeof withUsersLimits<'first-start'>> } {
  const text = `vehicle: Test\nbuses: { engine: { bit_rate: 500 kbit/s, devices: [box] } }\nchecks: ${checks}\n`;
  const { vehicle } = parseVehicle([{ path: 'vehicle.yaml', text }, box]);
  if (!vehicle) throw new Error('the vehicle of this test has faults');
  const result: CheckResult = { check: 'first-start', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
  return { limits: withUsersLimits('first-start', vehicle, result), result };
}

describe('limits of a check', () => {
  it('are told with their value, unit and source, all of them', () => {
    const { result } = judgedBy('{}');
    expect(result.limits).toHaveLength(Object.keys(usualLimits['first-start']).length);
    expect(result.limits?.[0]).toEqual({
      limit: 'oil_running',
      value: 70,
      unit: 'kPa',
      what: 'oil pressure once the engine runs, at least',
      source: 'common practice, no source',
    });
    // Kept as a fraction, told and written in percent.
    expect(result.limits?.find(({ limit }) => limit === 'fuel_delta')).toMatchObject({ value: 10, unit: '%' });
    for (const { source } of result.limits ?? []) expect(source).not.toBe('');
  });

  it('that the file gives are in force, and said to be its own', () => {
    const { result, limits } = judgedBy('{ first-start: { oil_running: 1.2 bar, fuel_delta: 5 % } }');
    expect([limits.oilRunningKpa, limits.fuelDeltaShare]).toEqual([120, 0.05]);
    expect(result.limits?.[0]).toMatchObject({ value: 120, source: 'your vehicle.yaml, checks: first-start:' });
  });

  it('that are not understood leave the usual ones in force, and say so', () => {
    const { result, limits } = judgedBy('{ first-start: { oil_runing: 1 bar, rested: soon } }');
    expect([limits.oilRunningKpa, limits.restedS]).toEqual([70, 60]);
    expect(result.notJudged?.map(({ what }) => what)).toEqual([
      "checks: first-start: no limit is called 'oil_runing'",
      "checks: first-start: 'rested' is not understood; the usual limit is used",
    ]);
  });

  it('a plain number of times is written without a unit', () => {
    const text =
      'vehicle: Test\nbuses: { engine: { bit_rate: 500 kbit/s, devices: [box] } }\nchecks: { probes: { moved_noise: 4, moving: 1 K/s } }\n';
    const { vehicle } = parseVehicle([{ path: 'vehicle.yaml', text }, box]);
    const result: CheckResult = { check: 'probes', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
    const limits = withUsersLimits('probes', vehicle as NonNullable<typeof vehicle>, result);
    expect(result.notJudged).toEqual([]);
    expect([limits.movedNoiseTimes, limits.movingKPerS]).toEqual([4, 1]);
  });

  it('say how long the usual steps take, each the file may change', () => {
    const more =
      'checks: { key-on: { leak_hold_for: 5 min, zeros_for: 9 s }, injectors: { bled: 8 kPa, bled_for: 6 s }, bus: { listen_for: 1 min } }';
    const vehicle = makeVehicle({ more });
    const step = (check: string, name: string) => findProcedure(vehicle, check)?.steps.find((one) => one.name === name);
    expect(step('key-on', 'leak-hold')).toMatchObject({ waitS: 300, say: expect.stringMatching(/^Pump running for 5 minutes/) });
    expect(step('key-on', 'zeros')?.watch).toEqual({ forS: 9 });
    expect(step('key-on', 'leak-down')?.watch).toEqual({ forS: 60 });
    expect(step('injectors', 'bled-port')?.watch).toEqual({ until: 'in(rail_pressure, kPa) < 8', forS: 6 });
    expect(step('bus', 'listen')?.watch).toEqual({ forS: 60 });
  });

  it('have names of their own', () => {
    for (const limits of Object.values(usualLimits)) {
      const keys = Object.keys(limits).map((name) => toLimitKey(name).key);
      expect(keys).toEqual([...new Set(keys)]);
    }
  });

  it('stand in the documentation as they are', () => {
    const page = readFileSync(join(import.meta.dirname, '../../docs/checks.md'), 'utf8');
    for (const [group, limits] of Object.entries(usualLimits)) {
      const row = page.split('\n').find((line) => line.startsWith(`| \`${group}\` | \``)) ?? '';
      const said = [...row.matchAll(/`(\w+: [\d.]+(?: [^\s`]+)?)`/g)].map(([, text]) => text);
      const usual = Object.entries(limits).map(([name, { usual: value }]) => {
        const { key, unit, factor } = toLimitKey(name);
        return `${key}: ${Number((value / factor).toFixed(6))} ${unit}`.trim();
      });
      expect(said).toEqual(usual);
    }
  });
});
