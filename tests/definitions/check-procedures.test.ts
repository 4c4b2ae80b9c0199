// Steps of checks in vehicle.yaml: usual ones named and reworded, own ones added, and every fault at its place.
import { describe, expect, it } from 'vitest';
import { buildProcedures, findProcedure } from '../../server/checks/procedure.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

const device = {
  path: 'devices/box.yaml',
  text: `device: box
title: Box
frames:
  - { name: a, id: 1, length: 8, period: 20 ms, signals: [ { name: engine_speed, bytes: 0..1, unit: rpm }, { name: throttle, bytes: 2, unit: "%" },
      { name: oil_pressure, bytes: 4..5, unit: kPa, reference: gauge }, { name: egt_1, bytes: 6, unit: degC } ] }
`,
};

const base = `vehicle: One
buses: { b: { bit_rate: 500 kbit/s, devices: [box] } }
engine: { cylinders: 1, speed: engine_speed, throttle: throttle, exhaust_temps: { 1: { channel: egt_1 } } }
`;

function read(checks: string): { vehicle: Vehicle | undefined; said: string[] } {
  const { vehicle, problems } = parseVehicle([{ path: 'vehicle.yaml', text: `${base}${checks}` }, device]);
  return { vehicle, said: problems.map(({ line, column, code, fix }) => `${line}:${column} ${code} ${fix}`) };
}

describe('steps in vehicle.yaml', () => {
  it('take usual ones by name, in another order, in other words, beside own ones', () => {
    const { vehicle, said } = read(`checks:
  key-on:
    zero_span: 1 %
    steps:
      - throttle
      - { step: zeros, say: Hands off }
      - { step: belt, title: Belt tight, reading: { unit: mm, min: 5, max: 12 } }
      - { step: oil-up, title: Oil up, watch: { until: oil_pressure > 200, for: 2 s, within: 1 min }, blocking: true }
`);
    expect(said).toEqual([]);
    const steps = findProcedure(vehicle as Vehicle, 'key-on')?.steps ?? [];
    expect(steps.map(({ name, kind, blocking }) => [name, kind, blocking])).toEqual([
      ['throttle', 'watch', false],
      ['zeros', 'watch', false],
      ['belt', 'reading', false],
      ['oil-up', 'watch', true],
    ]);
    expect(steps[1]).toMatchObject({ say: 'Hands off', title: 'Key on, and wait', codes: ['zero-offset'] });
    expect(steps[2]?.reading).toEqual({ unit: 'mm', min: 5, max: 12 });
    expect(steps[3]?.watch).toEqual({ until: 'oil_pressure > 200', forS: 2, withinS: 60 });
  });

  it('add a check behind the usual ones, and leave those as they are', () => {
    const { vehicle } = read(
      `checks: { oil-change: { title: Oil change, safety: [Hot oil], steps: [ { step: drain, title: Drain it } ] } }\n`,
    );
    const names = buildProcedures(vehicle as Vehicle).map(({ name }) => name);
    expect(names).toEqual(['bus', 'key-on', 'supplies', 'probes', 'injectors', 'preparation', 'first-start', 'oil-change']);
    expect(findProcedure(vehicle as Vehicle, 'oil-change')).toMatchObject({ title: 'Oil change', safety: ['Hot oil'] });
  });

  it('are left out where the vehicle has nothing for them', () => {
    const { vehicle } = read('');
    const steps = findProcedure(vehicle as Vehicle, 'key-on')?.steps.map(({ name }) => name);
    // No injector set: nothing to prime. A throttle and a probe, and no battery channel.
    expect(steps).toEqual(['pump-off', 'zeros', 'probes', 'throttle', 'supplies', 'alive']);
    expect(findProcedure(vehicle as Vehicle, 'injectors')?.steps).toEqual([]);
  });

  // `checks:` is line 4 of the file.
  it.each([
    ['checks: { key-on: { steps: [zero] } }', "4:29 STEP_UNKNOWN Did you mean 'zeros'? One of your own needs a 'title'."],
    ['checks: { key-on: { steps: [zeros, zeros] } }', '4:36 NAME_DUPLICATE Choose another name.'],
    [
      'checks: { key-on: { steps: [ { step: zeros, watch: { until: oil_presure > 1 } } ] } }',
      "4:61 FORMULA_NAME_UNKNOWN Did you mean 'oil_pressure'?",
    ],
    [
      'checks: { key-on: { steps: [ { step: x, title: X, reading: { unit: mm }, watch: { for: 1 s } } ] } }',
      '4:74 KEY_CONFLICT Make two steps of it.',
    ],
    ['checks: { key-on: { steps: [ { step: x, titel: X } ] } }', "4:41 KEY_UNKNOWN Did you mean 'title'?"],
    ['checks: { mine: { steps: [ { step: x } ] } }', "4:36 KEY_MISSING Add 'title: ...': it heads the step."],
    [
      'checks: { mine: { load: 5 % } }',
      '4:19 KEY_UNKNOWN Limits belong to bus, key-on, supplies, probes, injectors, preparation, first-start',
    ],
    ['checks: { key-on: { steps: [ { step: x, title: X, watch: { for: 3 kPa } } ] } }', '4:67 UNIT_WRONG_DIMENSION'],
    ['checks: { bus: 5 }', '4:16 VALUE_WRONG_TYPE'],
  ])('%s is refused at its place', (checks, first) => {
    const { vehicle, said } = read(`${checks}\n`);
    expect(vehicle).toBeUndefined();
    expect(
      said.some((one) => one.startsWith(first)),
      said.join('\n'),
    ).toBe(true);
  });
});
