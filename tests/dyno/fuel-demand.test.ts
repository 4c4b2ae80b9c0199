// What a pull asked of injectors, pump and supply, on figures worked by hand.
import { describe, expect, it } from 'vitest';
import type { InjectorSet, Vehicle } from '../../server/definitions/vehicle.ts';
import { judgeFuelDemand } from '../../server/dyno/fuel-demand.ts';
import type { Pull } from '../../server/dyno/pulls.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

const set: InjectorSet = {
  name: 'port',
  pulse: 'pulse',
  pulseIs: { per: 'event', deadTime: 'included' },
  injectionsPerCycle: 1,
  cylinders: [1, 2, 3, 4],
  flow: { ccPerMin: 500, atKpa: 300 },
  deadTime: [
    [10, 1.5],
    [14, 0.9],
  ],
  injectors: new Map(),
  plans: [],
};

function vehicleWith(change: Partial<InjectorSet>, limits: object = {}): Vehicle {
  return {
    engine: { cycle: 'four-stroke', roles: { speed: 'rpm', battery: 'battery' }, exhaustTemps: [] },
    injectorSets: [{ ...set, ...change }],
    buses: [],
    derived: [],
    limits,
  } as unknown as Vehicle;
}

const pull: Pull = { kind: 'sweep', from: 1, to: 9, speedFrom: 6000, speedTo: 6000, complete: true };

/** 6000 rpm: 20 ms between injections. */
type At = (s: number) => number;
const given = ({ duty = () => 80, volts = () => 14, delta = () => 300 }: { duty?: At; volts?: At; delta?: At } = {}) =>
  seriesOf(
    [
      drawn('rpm', 'rpm', 10, () => 6000),
      drawn('duty_port', '%', 10, duty),
      drawn('battery', 'V', 10, volts),
      drawn('fuel_delta_port', 'kPa', 10, delta),
    ],
    10,
  );

describe('fuel demand of a pull', () => {
  it('takes the dead time off: 80 % of 20 ms less 0.9 ms is 75.5 % of four times 500 cc/min', () => {
    const [demand] = judgeFuelDemand(given(), vehicleWith({}), pull);
    expect(demand).toMatchObject({
      dutyMax: 80,
      headroomPercent: 20,
      demandCcPerMin: 1510,
      capacityCcPerMin: 2000,
      ofInjectorsPercent: 75.5,
    });
  });

  it('says that more was asked than injectors held open can give', () => {
    const [demand] = judgeFuelDemand(given({ duty: () => 120 }), vehicleWith({}), pull);
    expect(demand).toMatchObject({ dutyMax: 120, headroomPercent: -20, ofInjectorsPercent: 115.5 });
  });

  it('leaves headroom up to the limit of the vehicle file', () => {
    expect(judgeFuelDemand(given(), vehicleWith({}, { dutyPercent: 85 }), pull)[0]?.headroomPercent).toBe(5);
  });

  it('gives less through injectors when the delta falls: the square root of a quarter is a half', () => {
    expect(judgeFuelDemand(given({ delta: () => 75 }), vehicleWith({}), pull)[0]).toMatchObject({ capacityCcPerMin: 1000 });
  });

  it('holds the flow against the pump: 1510 of 2000 cc/min are 75.5 %', () => {
    const [demand] = judgeFuelDemand(given(), vehicleWith({ pump: { ccPerMin: 2000, atKpa: 400 } }), pull);
    expect(demand).toMatchObject({ pumpCcPerMin: 2000, ofPumpPercent: 75.5 });
  });

  it('tells what a sagging supply takes: from 14 to 10 V 0.6 ms of 15.1 ms, 4 %', () => {
    // The duty rises a little all along, so that the busiest moment is the last.
    const [demand] = judgeFuelDemand(given({ volts: (s) => (s < 5 ? 14 : 10), duty: (s) => 80 + s / 1000 }), vehicleWith({}), pull);
    expect(demand?.supply).toMatchObject({ voltsStart: 14, deadStartMs: 0.9 });
    const late = judgeFuelDemand(given({ volts: (s) => (s < 5 ? 14 : 10), duty: (s) => 60 + 4 * s }), vehicleWith({}), pull)[0];
    // At 96 %: open for 19.2 − 1.5 = 17.7 ms, at 14 V it would be 18.3 ms.
    expect(late?.supply).toEqual({ voltsStart: 14, voltsLow: 10, deadStartMs: 0.9, deadLowMs: 1.5, flowPercent: -3.3 });
  });

  it.each([
    [{ flow: undefined }, 'flow: 900 cc/min at 300 kPa'],
    [{ deadTime: [] }, 'dead_time: 1.0 ms'],
    [{ injectionsPerCycle: undefined }, 'injections_per_cycle: 1'],
    [{}, 'pump: 300 L/h at 400 kPa'],
    [{ deadTime: [[12, 1]] as [number, number][] }, 'dead_time: [[9 V, 1.5 ms], [14 V, 0.8 ms]]'],
  ])('names the line that is missing (%j)', (change, line) => {
    const [demand] = judgeFuelDemand(given(), vehicleWith(change as Partial<InjectorSet>), pull);
    expect(demand?.notJudged.map((item) => item.line)).toContain(`injector_sets: { port: { ${line} } }`);
  });
});
