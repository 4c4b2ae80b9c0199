// The key-on check on a resting engine: each fault found by name, healthy engines quiet, what is not said not judged.
import { resolve } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { badOf, judgePlayed } from '../doubles/judged-run.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const stages = [
  'stage: key_on, for: 5 s, pump: false',
  ...['pump', 'fan', 'ignition', 'lights'].flatMap((load) => [`stage: switch, load: ${load}`, 'stage: rest, for: 3 s']),
  'stage: throttle_sweep, for: 6 s',
  'stage: rest, for: 2 s',
  'stage: prime, for: 8 s',
  'stage: rest, for: 3 s',
];
let garganey: Vehicle;
beforeAll(async () => {
  garganey = await getVehicle(resolve('bus-definitions/garganey'));
});

const faults: [title: string, fault: string, found: string, start?: 'warm'][] = [
  ['an open probe', 'open_probe, cylinder: 3', 'probe-open 3'],
  ['a reversed probe of a warm engine', 'reversed_probe, cylinder: 3', 'probe-reversed 3', 'warm'],
  ['a shorted probe of a warm engine', 'shorted_probe, cylinder: 6', 'probe-shorted 6', 'warm'],
  ['a probe 15 K off', 'sensor_offset, channel: exhaust_temp_4, by: 15 K', 'probe-disagrees 4'],
  ['an oil sensor 40 kPa off', 'sensor_offset, channel: oil_pressure, by: 40 kPa', 'zero-offset oil_pressure'],
  ['a rail sensor 60 kPa off', 'sensor_offset, channel: rail_pressure, by: 60 kPa', 'zero-offset rail_pressure'],
  ['a manifold sensor 4 kPa off the barometer', 'sensor_offset, channel: manifold_pressure, by: 4 kPa', 'zero-offset manifold_pressure'],
  ['a dead spot of the throttle', 'throttle_dead_spot', 'throttle-range throttle'],
  ['a sensor supply that shifts', 'supply_shift, group: sensor-5v', 'supply-shift sensor-5v'],
  ['a sensor ground that shifts', 'supply_shift, group: sensor-ground', 'supply-shift sensor-ground'],
  ['a ground loop of the probes', 'ground_loop', 'supply-shift thermocouples'],
  ['a blocked return', 'return_blocked, set: port', 'prime port'],
  ['a set that is never primed', 'no_fuel, set: plenum', 'prime plenum'],
];

describe('key-on check', () => {
  it.each(faults)('finds %s, and nothing beside it', async (_title, fault, found, start) => {
    const result = await judgePlayed('key-on', garganey, { stages, start: start ?? 'cold', faults: [`fault: ${fault}`], seed: 7 });
    expect(badOf(result)).toEqual([found]);
    const bad = result.verdicts.find(({ ok }) => !ok);
    expect(bad?.say.length).toBeGreaterThan(10);
    expect(bad?.next?.length).toBeGreaterThan(10);
  });

  it.each(['cold', 'warm', 'hot'] as const)('is quiet on a healthy engine that is %s', async (start) => {
    for (const seed of [1, 2, 3]) expect(badOf(await judgePlayed('key-on', garganey, { stages, start, seed }))).toEqual([]);
  });

  it('compares probes of a cold-soaked engine only', async () => {
    const warm = await judgePlayed('key-on', garganey, { stages, start: 'warm' });
    expect(warm.verdicts.some(({ code }) => code === 'probe-disagrees')).toBe(false);
    expect(warm.notJudged?.some(({ what }) => what.includes('not cold-soaked'))).toBe(true);
    const cold = await judgePlayed('key-on', garganey, { stages });
    expect(cold.verdicts.filter(({ code, ok }) => code === 'probe-disagrees' && ok)).toHaveLength(6);
  });

  it('says what was not done: no load switched, no throttle moved', async () => {
    const result = await judgePlayed('key-on', garganey, { stages: ['stage: key_on, for: 4 s, pump: false'] });
    expect(badOf(result)).toEqual([]);
    const what = result.notJudged?.map((item) => item.what).join('; ');
    expect(what).toContain('it did not move');
    expect(what).toContain('nothing was switched');
  });

  it('takes a pressure that rises with the pump for fuel, though no set calls it its rail', async () => {
    expect(badOf(await judgePlayed('key-on', makeVehicle(), { stages }))).toEqual([]);
  });

  it.each([1, 3, 8, 16])('is quiet on an engine of %i cylinders, and sees each of its probes', async (cylinders) => {
    const result = await judgePlayed('key-on', makeVehicle({ cylinders }), { stages });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.filter(({ code }) => code === 'probe-disagrees')).toHaveLength(cylinders);
  });

  it('without probes judges the rest and names the line', async () => {
    const result = await judgePlayed('key-on', makeVehicle({ cylinders: 2, withoutProbe: [1, 2] }), { stages });
    expect(badOf(result)).toEqual([]);
    expect(result.notJudged?.map(({ line }) => line)).toContain('engine: { exhaust_temps: { 1: { channel: ..., place: port } } }');
  });

  it('takes the altitude where there is no barometer, and allows for the weather', async () => {
    const zero = async (barometer: string) => {
      const result = await judgePlayed('key-on', makeVehicle({ barometer }), { stages });
      return result.verdicts.find(({ code, channel }) => code === 'zero-offset' && channel === 'manifold_pressure');
    };
    // The simulated station stands at 101.3 kPa: the standard atmosphere at 200 m is 98.9 kPa.
    const near = await zero('{ altitude: 200 m }');
    expect(near).toMatchObject({ ok: true, limit: 5 });
    expect(near?.measured).toBeCloseTo(2.4, 0);
    expect(await zero('{ altitude: 800 m }')).toMatchObject({ ok: false });
    expect(await zero('98.9 kPa')).toMatchObject({ ok: false, limit: 2 });
  });

  it('uses limits of vehicle.yaml', async () => {
    const vehicle = makeVehicle({ more: 'checks: { key-on: { battery_lead: 14 V, prime_overshoot: 1 % } }' });
    const result = await judgePlayed('key-on', vehicle, { stages });
    expect(result.verdicts.find(({ code }) => code === 'battery')).toMatchObject({ ok: false, limit: 14 });
  });

  // Twelve and fourteen volts are four cells of lithium iron phosphate, sixteen are five (3.2 V each; common practice, no source).
  it.each([
    ['lead-acid', 12, 12.2],
    ['lead-acid', 16, 16.27],
    ['lithium', 12, 12.9],
    ['lithium', 14, 12.9],
    ['lithium', 16, 16.125],
  ])('holds a %s battery of %i V to %d V at rest', async (chemistry, nominal, limit) => {
    const electrical = `{ nominal: ${nominal} V, chemistry: ${chemistry}, charging: true }`;
    const result = await judgePlayed('key-on', makeVehicle({ electrical }), { stages });
    expect(result.verdicts.find(({ code }) => code === 'battery')?.limit).toBeCloseTo(limit, 1);
  });
});
