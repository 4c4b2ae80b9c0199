// The supply and ground test: loads switched one at a time in the steps of a led check, on the simulator and on drawn numbers.
import { resolve } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { GatheredCheck } from '../../server/checks/gathered-check.ts';
import { findProcedure, type Procedure } from '../../server/checks/procedure.ts';
import type { StepState } from '../../server/checks/step-state.ts';
import type { CheckResult } from '../../server/checks/verdict.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { readScenario } from '../doubles/simulated-run.ts';

const loads = ['pump', 'fan', 'ignition', 'lights'];
let garganey: Vehicle;
let procedure: Procedure;
beforeAll(async () => {
  garganey = await getVehicle(resolve('bus-definitions/garganey'));
  procedure = findProcedure(garganey, 'supplies') as Procedure;
});

/** Six seconds a load, on for the middle half of it; the steps follow half a second ahead. */
function judge(faults: string[], steps: Record<string, StepState> = takenSteps(), seed = 3): CheckResult {
  const stages = [
    'stage: key_on, for: 6 s, pump: false',
    ...loads.map((load) => `stage: switch, load: ${load}, for: 6 s`),
    'stage: rest, for: 2 s',
  ];
  const list = (items: readonly string[]) => items.map((item) => `  - { ${item} }\n`).join('');
  const text = `scenario: t\nseed: ${seed}\nstart: cold\nstages:\n${list(stages)}${faults.length > 0 ? `faults:\n${list(faults)}` : ''}`;
  const batch = new FrameBatch(4096);
  new Simulation(garganey, readScenario(text, garganey)).advance(32e6, batch);
  const check = new GatheredCheck('supplies', garganey, { guide: { procedure, steps } });
  check.take(batch);
  check.finish();
  return check.judge();
}

function takenSteps(): Record<string, StepState> {
  const taken = loads.map((load, i): [string, StepState] => [load, { state: 'done', fromS: 5.3 + 6 * i, toS: 11.2 + 6 * i }]);
  return { rest: { state: 'done', fromS: 0, toS: 5.3 }, ...Object.fromEntries(taken) };
}

const bad = ({ verdicts }: CheckResult) => verdicts.filter(({ ok }) => !ok).map(({ load, group, channel }) => [load, group ?? channel]);

describe('the supply and ground test', () => {
  it('goes through rest and each load, one at a time', () => {
    expect(procedure.steps.map(({ name }) => name)).toEqual(['rest', ...loads]);
  });

  it.each([1, 2, 3, 4, 5])('is quiet where nothing moves, and says how far the battery sagged (seed %i)', (seed) => {
    const { verdicts } = judge([], takenSteps(), seed);
    expect(verdicts.map(({ load, ok }) => [load, ok])).toEqual(loads.map((load) => [load, true]));
    for (const { evidence } of verdicts) expect((evidence as { batterySagV: number }).batterySagV).toBeGreaterThanOrEqual(0);
  });

  it.each([
    ['supply_shift, group: sensor-5v, load: fan', 'fan', 'sensor-5v'],
    ['supply_shift, group: sensor-ground, load: lights', 'lights', 'sensor-ground'],
    ['supply_shift, channel: fuel_temp, load: ignition', 'ignition', undefined],
  ])('names load and group of %s', (fault, load, group) => {
    const [first, ...others] = judge([`fault: ${fault}`]).verdicts.filter(({ ok }) => !ok);
    expect(others).toEqual([]);
    expect([first?.load, first?.group]).toEqual([load, group]);
    expect(first?.say).toContain(load);
  });

  it('gives the volts that a ground is lifted by: 4 % of a span of 4 V is 0.16 V', () => {
    const [lifted] = judge(['fault: supply_shift, group: sensor-ground, load: pump']).verdicts.filter(({ ok }) => !ok);
    expect(lifted?.impliedVolts).toBeCloseTo(-0.16, 1);
    expect(lifted?.say).toMatch(/0\.1[567] V/);
  });

  it('finds a ground loop of the probes with every load, in millivolts', () => {
    const result = judge(['fault: ground_loop']);
    expect(bad(result)).toEqual(loads.map((load) => [load, 'thermocouples']));
    // 0.8 mV is some 20 K.
    expect(result.verdicts[0]?.impliedVolts).toBeCloseTo(0.0008, 4);
  });

  it('judges no load that nobody came to, none that was skipped, and none that was left at once', () => {
    const { fan: _, ...others } = takenSteps();
    const steps: Record<string, StepState> = {
      ...others,
      lights: { state: 'skipped', reason: 'there are none' },
      pump: { state: 'done', fromS: 5.3, toS: 5.9 },
    };
    const { verdicts, notJudged } = judge([], steps);
    expect(verdicts.map(({ load }) => load)).toEqual(['ignition']);
    expect(notJudged?.map(({ what }) => what)).toEqual(expect.arrayContaining(['Switch the pump: too short']));
  });
});
