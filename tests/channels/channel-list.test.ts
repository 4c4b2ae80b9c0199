// The list of channels: what a vehicle makes possible, what it doesn't and which line would, and that every formula in it is sound.
import { describe, expect, it } from 'vitest';
import { type Channel, formulaScope, listChannels, reservedNames, whyNot } from '../../server/channels/channel-list.ts';
import { checkFormula } from '../../server/channels/formula.ts';
import type { InjectorSet, Vehicle } from '../../server/definitions/vehicle.ts';
import { derived, ids, madeEngine, madeEngineVehicle, madePortSet } from '../pipeline/made-engine.ts';
import { PipelineRun } from '../pipeline/pipeline-run.ts';

const limits = { exhaustTempC: 780, at: { file: '', line: 1, column: 1 } };
const names = (vehicle: Vehicle) => listChannels(vehicle).map((channel) => channel.name);
const find = (vehicle: Vehicle, name: string) => listChannels(vehicle).find((channel) => channel.name === name) as Channel;
const lineFor = (vehicle: Vehicle, channel: string) => whyNot(vehicle).find((one) => one.channel === channel)?.line;
const withSet = (set: Partial<InjectorSet>) => madeEngineVehicle({ injectorSets: [{ ...madePortSet, ...set }] });

/** The port set without some of its keys. */
function withoutKeys(...keys: (keyof InjectorSet)[]): Vehicle {
  const set = { ...madePortSet };
  for (const key of keys) delete set[key];
  return madeEngineVehicle({ injectorSets: [set] });
}

describe('the list', () => {
  it('has signals first, at the index that each says, then built-in channels, then the user’s own', () => {
    const channels = listChannels(madeEngineVehicle({ derived: [derived('own', 'engine_speed')] }));
    expect(channels.map((channel) => channel.index)).toEqual(channels.map((_, i) => i));
    for (const { signal, index } of channels) if (signal) expect(signal.channel).toBe(index);
    const kinds = channels.map((channel) => channel.kind);
    expect([...new Set(kinds)]).toEqual(['signal', 'built-in', 'derived']);
  });

  it('has every name that is reserved, or says which line would make it', () => {
    for (const vehicle of [madeEngineVehicle({ limits }), madeEngineVehicle(), withoutKeys('rail', 'flow', 'pulse')]) {
      const made = new Set(names(vehicle));
      const missing = new Set(whyNot(vehicle).map((one) => one.channel));
      for (const name of reservedNames(vehicle)) expect([name, made.has(name) !== missing.has(name)]).toEqual([name, true]);
      for (const { line } of whyNot(vehicle)) expect(line.length).toBeGreaterThan(5);
    }
  });

  it('holds formulas that are sound, with the unit that they say', () => {
    const vehicle = madeEngineVehicle({ limits });
    const scope = formulaScope(vehicle);
    const formulas = listChannels(vehicle).filter(({ name }) =>
      /^(engine_|exhaust_rate|exhaust_gas|fuel_delta|duty|flow_total)/.test(name),
    );
    for (const { name, formula, unit, kind } of formulas) {
      if (kind === 'built-in') expect([name, checkFormula(formula as string, scope, unit)]).toEqual([name, []]);
    }
    expect(formulas.length).toBeGreaterThan(15);
  });

  it('says the bus of all inputs, and none where they come from several', () => {
    const vehicle = madeEngineVehicle({ derived: [derived('a', 'engine_speed + oil_pressure'), derived('constant', '5')] });
    const first = vehicle.buses[0] as Vehicle['buses'][number];
    const frames = first.frames.map((frame, i) => ({ ...frame, bus: i === 3 ? 1 : 0 }));
    const two: Vehicle = {
      ...vehicle,
      buses: [
        { ...first, frames: frames.slice(0, 3) },
        { ...first, name: 'hull-bus', index: 1, frames: frames.slice(3) },
      ],
    };
    expect([find(two, 'engine_running').bus, find(two, 'fuel_delta_port').bus, find(two, 'a').bus]).toEqual([0, 1, undefined]);
    expect([find(two, 'exhaust_spread').bus, find(two, 'constant').bus, find(two, 'flow_total').bus]).toEqual([0, undefined, undefined]);
    expect([find(two, 'bus_load_hull_bus').bus, find(two, 'bus_errors_engine').bus]).toEqual([1, 0]);
  });
});

describe('what is not said', () => {
  it.each([
    [withoutKeys('rail'), 'fuel_delta_port', 'injector_sets: port: rail: CHANNEL'],
    [withoutKeys('discharge'), 'fuel_delta_port', 'injector_sets: port: discharge: CHANNEL'],
    [withSet({ discharge: 'throttle' }), 'fuel_delta_port', 'throttle: unit: kPa'],
    [withoutKeys('pulse'), 'duty_port', 'injector_sets: port: pulse: CHANNEL'],
    [withSet({ pulse: 'throttle' }), 'duty_port', 'throttle: unit: ms'],
    [withoutKeys('injectionsPerCycle'), 'duty_port', 'injector_sets: port: injections_per_cycle: 1'],
    [withoutKeys('flow'), 'flow_port', 'injector_sets: port: flow: RATE at PRESSURE'],
    [withSet({ deadTime: [] }), 'flow_port', 'injector_sets: port: dead_time: TIME'],
    [
      withSet({
        deadTime: [
          [9, 1.5],
          [14, 0.8],
        ],
      }),
      'flow_port',
      'engine: battery: CHANNEL',
    ],
    [withoutKeys('rail'), 'flow_port', 'what fuel_delta_port needs'],
    [madeEngineVehicle(), 'exhaust_time_to_limit_3', 'limits: { exhaust_temp: TEMPERATURE }'],
    [
      madeEngineVehicle({ engine: { ...madeEngine, exhaustTemps: madeEngine.exhaustTemps.slice(0, 2) } }),
      'exhaust_deviation_1',
      'engine: exhaust_temps: at least three probes',
    ],
    [
      madeEngineVehicle({ engine: { ...madeEngine, exhaustTemps: madeEngine.exhaustTemps.slice(0, 2) } }),
      'exhaust_rate_3',
      'engine: exhaust_temps: { 3: { channel: CHANNEL } }',
    ],
    [madeEngineVehicle({ engine: { ...madeEngine, roles: {} } }), 'engine_running', 'engine: speed: CHANNEL'],
    [madeEngineVehicle({ engine: { ...madeEngine, roles: {} } }), 'duty_port', 'engine: speed: CHANNEL'],
  ] as [Vehicle, string, string][])('%# is not guessed: %s %s', (vehicle, channel, line) => {
    expect(names(vehicle)).not.toContain(channel);
    expect(lineFor(vehicle, channel)).toBe(line);
  });

  it('refuses to guess what a pressure counts from, and needs the barometer where rail and manifold differ', () => {
    const vehicle = madeEngineVehicle();
    const rail = find(vehicle, 'rail_pressure').signal as { reference?: string };
    delete rail.reference;
    expect(lineFor(vehicle, 'fuel_delta_port')).toBe('rail_pressure: reference: gauge or absolute');
    rail.reference = 'absolute';
    expect(find(vehicle, 'fuel_delta_port').formula).toBe('rail_pressure - manifold_pressure');
    const { barometer: _none, ...engine } = madeEngine;
    expect(lineFor(madeEngineVehicle({ engine }), 'fuel_delta_port')).toBe('engine: barometer: CHANNEL or a pressure');
    const typed = madeEngineVehicle({ engine: { ...engine, barometer: { valueKpa: 98.5 } } });
    expect(find(typed, 'fuel_delta_port').formula).toBe('rail_pressure - manifold_pressure + 98.5 kPa');
  });
});

describe('duty and flow', () => {
  const last = (vehicle: Vehicle, channel: string) => {
    const run = new PipelineRun(vehicle);
    run.frames({ timeUs: 0, id: ids.engine, words: [6000, 12, 8000, 0] }, { timeUs: 0, id: ids.pressures, words: [400, 200, 1000, 400] });
    return run.finish().last(channel);
  };

  it.each([
    [{}, 40],
    [{ injectionsPerCycle: 2 }, 80],
    [{ injectionsPerCycle: 2, pulseIs: { per: 'cycle', deadTime: 'included' } }, 40],
    [{ pulseIs: { per: 'event', deadTime: 'excluded' } }, 45],
    [{ injectionsPerCycle: 2, pulseIs: { per: 'event', deadTime: 'excluded' } }, 90],
    [{ injectionsPerCycle: 2, pulseIs: { per: 'cycle', deadTime: 'excluded' } }, 50],
  ] as [Partial<InjectorSet>, number][])('8 ms at 6000 rpm with %j is %d %% of duty', (set, duty) => {
    expect(last(withSet(set), 'duty_port')).toBeCloseTo(duty, 12);
  });

  it('knows a two-stroke', () => {
    expect(last(madeEngineVehicle({ engine: { ...madeEngine, cycle: 'two-stroke' } }), 'duty_port')).toBe(80);
  });

  it.each([
    // 6 injectors × 1000 at the rated drop × open share: (8 - 1) / 20; twice (8 - 1) / 10; held open at 25 ms.
    [{}, 2100],
    [{ injectionsPerCycle: 2 }, 4200],
    [{ pulseIs: { per: 'event', deadTime: 'excluded' } }, 2400],
    [{ cylinders: [1, 2] }, 700],
    [{ injectionsPerCycle: 4 }, 6000],
  ] as [Partial<InjectorSet>, number][])('with %j flows %d cc/min', (set, flow) => {
    // Duty of four injections of 8 ms in 20 ms is 160 %: the injector never closes, less 1 ms of dead time in each 5 ms.
    expect(last(withSet(set), 'flow_port')).toBeCloseTo(flow, 6);
  });

  it('takes dead time from the supply voltage, between the points of its table', () => {
    const engine = { ...madeEngine, roles: { ...madeEngine.roles, battery: 'throttle' } };
    const vehicle = {
      ...withSet({
        deadTime: [
          [10, 1.4],
          [14, 0.6],
        ],
      }),
      engine,
    };
    (vehicle.buses[0]?.frames[0]?.signals[1] as { unit: string }).unit = 'V';
    // 12 V is half way: 1 ms.
    expect(last(vehicle, 'flow_port')).toBeCloseTo(2100, 6);
  });
});

describe('exhaust channels over time', () => {
  /** Probe 1 rises from 600 degC by so much a second, 20 samples a second. */
  const rising = (perSecond: number, seconds: number, vehicle = madeEngineVehicle({ limits })) => {
    const run = new PipelineRun(vehicle);
    for (let i = 0; i <= seconds * 20; i++) {
      run.frames({ timeUs: i * 50_000, id: ids.exhaustLow, words: [Math.round(600 + (perSecond * i) / 20), 700, 700, 700] });
    }
    return run.finish();
  };

  it('give the rate, the estimate behind the lag, and the time to the limit', () => {
    const run = rising(40, 3);
    expect(run.last('exhaust_rate_1')).toBeCloseTo(40, 9);
    // Lag 0.6 to 1.2 s: 0.9 s × 40 K/s above the 720 degC that are indicated.
    expect(run.last('exhaust_gas_estimate_1')).toBeCloseTo(720 + 36, 9);
    expect(run.last('exhaust_time_to_limit_1')).toBeCloseTo(60 / 40, 6);
  });

  it('hide the time to the limit for the first two seconds, while it falls, and while it is unsure', () => {
    expect(rising(40, 2).last('exhaust_time_to_limit_1')).toBe('missing');
    expect(rising(-40, 4).last('exhaust_time_to_limit_1')).toBe('missing');
    // 0.5 K/s with whole degrees: six minutes away, and nobody can say it to a second.
    expect(rising(0.5, 6).last('exhaust_time_to_limit_1')).toBe('missing');
  });

  it('say 0 at and above the limit', () => {
    expect(rising(100, 2).last('exhaust_time_to_limit_1')).toBe(0);
  });
});
