// Why fuel pressure delta falls: drawn by hand, one cause at a time, and simulated pulls with a fault and without.
import { describe, expect, it } from 'vitest';
import { collectSeries } from '../../server/collect-series.ts';
import { explainFallOff } from '../../server/dyno/fall-off-figure.ts';
import { diagnoseFallOff } from '../../server/dyno/fuel-fall-off.ts';
import { findPulls, type Pull } from '../../server/dyno/pulls.ts';
import { makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const vehicle = makeVehicle({ cylinders: 4 });
const sweep: Pull = { kind: 'sweep', from: 0, to: 10, speedFrom: 3000, speedTo: 6000, complete: true };

interface Drawn {
  rail: (s: number) => number;
  flow?: (s: number) => number;
  volts?: (s: number) => number;
  reference?: (s: number) => number;
}

/** Reference from 100 to 200 kPa absolute in ten seconds; rail is gauge, at 100 kPa of air. `flow` is the flow demanded: duty, %. */
function judge({ rail, flow = (s) => 30 + 4 * s, volts = () => 14, reference = (s) => 100 + 10 * s }: Drawn) {
  const series = makeSeries(10, {
    rail_pressure: { unit: 'kPa', at: rail },
    manifold_pressure: { unit: 'kPa', at: reference },
    fuel_delta_port: { unit: 'kPa', at: (s) => rail(s) + 100 - reference(s) },
    duty_port: { unit: '%', at: flow },
    battery_voltage: { unit: 'V', at: volts },
  });
  return diagnoseFallOff(series, vehicle, [sweep])[0];
}

describe('the fall-off of fuel pressure delta', () => {
  it('is none where the rail follows its reference one to one', () => {
    const found = judge({ rail: (s) => 300 + 10 * s });
    expect(found?.causes).toEqual(['none']);
    expect(found?.railPerReference).toBeCloseTo(1, 6);
    expect(found?.fallKpa).toBeLessThan(1);
  });

  it('is the reference hose where the rail stands still', () => {
    const found = judge({ rail: () => 300 });
    expect(found?.causes).toEqual(['reference hose']);
    expect(found?.railPerReference).toBeCloseTo(0, 6);
    expect(found?.fallKpa).toBeGreaterThan(80);
  });

  it('names a rail that rises faster than its reference', () => {
    expect(judge({ rail: (s) => 300 + 15 * s })?.causes).toEqual(['rising-rate regulator']);
  });

  it('is the pump or its filter where it goes with flow alone', () => {
    // Flow jumps about while the reference rises: the delta falls with flow only.
    const flow = (s: number) => 50 - 30 * Math.cos(s * 2);
    const found = judge({ rail: (s) => 300 + 10 * s - 1.5 * (flow(s) - 20), flow });
    expect(found?.causes).toEqual(['pump or filter']);
  });

  it('is the feed of the pump where it goes with supply voltage alone', () => {
    const volts = (s: number) => 13 + 1.2 * Math.cos(s * 1.7);
    expect(judge({ rail: (s) => 240 + 10 * s + 25 * (volts(s) - 13), volts })?.causes).toEqual(['pump feed']);
  });

  it('says so when flow and voltage move together', () => {
    // The reference is up within two seconds; from then on flow rises, voltage falls, and the delta with them.
    const reference = (s: number) => Math.min(200, 100 + 50 * s);
    const found = judge({ rail: (s) => 200 + reference(s) - 8 * Math.max(0, s - 2), reference, volts: (s) => 14 - 0.1 * s });
    expect(found?.causes).toEqual(['pump or filter', 'pump feed']);
    expect(found?.say).toMatch(/move together/);
  });

  it.each([
    ['healthy', undefined, 'none'],
    ['reference hose off', 'reference_hose_off, set: port', 'reference hose'],
    ['a fading pump', 'pump_fading, set: port, capacity: 45 %', 'pump or filter'],
  ])('in simulated pulls of an engine with %s is judged as %s', async (_, fault, cause) => {
    const pull = '  - { stage: pull, from: 2800 rpm, to: 6600 rpm, rate: 400 rpm/s }\n  - { stage: cool_down, for: 8 s }\n';
    const text = `scenario: t\nseed: 4\nstart: hot\nengine: { boost: 200 kPa }\nstages:\n  - { stage: key_on, for: 2 s }\n  - { stage: start, for: 5 s }\n${pull}${pull}${fault ? `faults:\n  - { fault: ${fault} }\n` : ''}`;
    const series = await collectSeries([runScenario(text, vehicle).batch], vehicle);
    const found = diagnoseFallOff(series, vehicle, findPulls(series, vehicle).pulls);
    expect(found.find(({ set }) => set === 'port')?.causes).toContain(cause);
  });
});

describe('the figures of a fall-off', () => {
  const [found] = [judge({ rail: () => 300 })];
  const behind = { session: 4, startUs: 1_000_000, vehicle, fallOff: found ? [found] : [], pulls: [sweep] };

  it('say how they are made, over which sweeps, and lead to their channels', () => {
    // By hand: the rail stands at 300 kPa while its reference rises from 100 to 200: delta falls from 300 to 200 kPa, about 95 by medians of half a second.
    const fall = explainFallOff(behind, ['port', 'fall']);
    expect(fall).toMatchObject({ unit: 'kPa', isDifference: true, stretches: [{ session: 4, fromUs: 1_000_000, toUs: 11_000_000 }] });
    expect(fall?.value).toBeGreaterThan(90);
    expect(fall?.value).toBeLessThan(100);
    expect(fall?.channels).toMatchObject([{ channel: 'fuel_delta_port', atUs: 6_000_000 }]);
    const slope = explainFallOff(behind, ['port', 'slope']);
    expect(slope).toMatchObject({
      value: 0,
      unit: '',
      worked: expect.arrayContaining(['of its movement 100 % goes with its reference pressure']),
    });
    expect(slope?.channels.map(({ channel }) => channel)).toEqual(['rail_pressure', 'manifold_pressure']);
  });

  it('are none of a set or a figure that is not there', () => {
    expect([explainFallOff(behind, ['plenum', 'fall']), explainFallOff(behind, ['port', 'x']), explainFallOff(behind, [])]).toEqual([
      undefined,
      undefined,
      undefined,
    ]);
  });
});
