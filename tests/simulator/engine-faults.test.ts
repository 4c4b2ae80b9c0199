// Each fault of engine and sensors shows in the frames as it does on a real one, and only where it should.
import { describe, expect, it } from 'vitest';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { type Run, runScenario } from '../doubles/simulated-run.ts';

const vehicle = makeVehicle({ cylinders: 4, plenum: true });
const idle = `scenario: t
seed: 2
engine: { boost: 200 kPa }
stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 6 s }
  - { stage: idle, for: 14 s }
`;
const full = `${idle}  - { stage: hold, for: 10 s, speed: 5000 rpm, load: 100 % }\n`;
const key = `scenario: t
seed: 2
stages:
  - { stage: key_on, for: 10 s }
`;

const withFault = (text: string, fault: string): Run => runScenario(`${text}faults: [{ ${fault} }]\n`, vehicle);
const healthyIdle = runScenario(idle, vehicle);
const healthyFull = runScenario(full, vehicle);

const delta = (run: Run, from: number, to: number): number =>
  run.mean('rail_pressure', from, to) + run.mean('station_pressure', from, to) - run.mean('manifold_pressure', from, to);

describe('faults of fuel and fire', () => {
  it.each([
    ['dead_injector', 'fault: dead_injector, cylinder: 2'],
    ['misfire', 'fault: misfire, cylinder: 2'],
  ])('%s leaves its cylinder cold and the others lit', (_, fault) => {
    const run = withFault(idle, fault);
    const others = [1, 3, 4].map((n) => run.mean(`egt_${n}`, 14, 18));
    expect(run.mean('egt_2', 14, 18)).toBeLessThan(Math.min(...others) - 80);
    expect(Math.min(...others)).toBeGreaterThan(150);
    expect(run.mean('lambda_1', 15, 20)).toBeGreaterThan(healthyIdle.mean('lambda_1', 15, 20) + 0.1);
  });

  it('shows a dead cylinder within eight seconds of first fire', () => {
    const run = withFault(idle, 'fault: dead_injector, cylinder: 2');
    const fired = run.samples('engine_speed').find(({ value }) => (value ?? 0) > 600)?.s as number;
    const at = (n: number): number => run.mean(`egt_${n}`, fired + 7, fired + 8);
    expect(at(2)).toBeLessThan(Math.min(at(1), at(3), at(4)) - 60);
  });

  it('a weak injector runs its cylinder hotter at rich full load, and only from its time on', () => {
    const run = withFault(full, 'fault: weak_injector, cylinder: 3, set: port, flow: 70 %, from: 27 s');
    expect(run.mean('egt_3', 30, 33)).toBeGreaterThan(healthyFull.mean('egt_3', 30, 33) + 25);
    expect(run.mean('egt_3', 15, 22)).toBeCloseTo(healthyFull.mean('egt_3', 15, 22), 0);
    expect(run.mean('egt_1', 30, 33)).toBeCloseTo(healthyFull.mean('egt_1', 30, 33), -0.5);
  });

  it('a lazy injector costs more of a short pulse than of a long one', () => {
    const run = withFault(full, 'fault: lazy_injector, cylinder: 3, delay: 0.5 ms');
    const truth = runScenario(`${idle}faults: [{ fault: lazy_injector, cylinder: 3, delay: 0.5 ms }]`, vehicle).simulation.truth;
    const leanerIdle = (truth.lambda[2] as number) / (truth.lambda[0] as number);
    const loaded = run.simulation.truth;
    expect(leanerIdle).toBeGreaterThan((loaded.lambda[2] as number) / (loaded.lambda[0] as number));
    expect(leanerIdle).toBeGreaterThan(1.05);
  });

  it('a fading pump lets the delta fall with flow: not at idle, well at full load', () => {
    const run = withFault(full, 'fault: pump_fading, set: port, capacity: 35 %');
    expect(delta(run, 14, 20)).toBeCloseTo(300, -1);
    expect(delta(run, 30, 33)).toBeLessThan(270);
    expect(run.mean('plenum_rail', 30, 33)).toBeCloseTo(300, -1);
  });

  it('a blocked return overshoots at prime and stays high', () => {
    const run = withFault(full, 'fault: return_blocked, set: port');
    expect(run.max('rail_pressure', 0.5, 3)).toBeGreaterThan(400);
    expect(healthyFull.max('rail_pressure', 0.5, 3)).toBeLessThan(330);
    expect(delta(run, 30, 33)).toBeGreaterThan(330);
  });

  it('a reference hose off takes the rail from following the manifold', () => {
    const run = withFault(full, 'fault: reference_hose_off, set: port');
    expect(run.mean('rail_pressure', 30, 33)).toBeCloseTo(300, -1);
    expect(healthyFull.mean('rail_pressure', 30, 33)).toBeGreaterThan(370);
    expect(delta(run, 30, 33)).toBeLessThan(240);
    expect(delta(run, 14, 20)).toBeGreaterThan(330);
  });

  it('no fuel, no pattern and no spark each keep it from starting, in their own way', () => {
    const noFuel = withFault(idle, 'fault: no_fuel');
    const noSync = withFault(idle, 'fault: no_sync');
    const noSpark = withFault(idle, 'fault: no_spark');
    for (const run of [noFuel, noSync, noSpark]) expect(run.max('engine_speed')).toBeLessThan(330);
    expect(noFuel.max('rail_pressure')).toBeLessThan(20);
    expect(noSync.max('sync_state')).toBe(1);
    expect(noSync.max('port_pulse')).toBe(0);
    expect(noSpark.max('sync_state')).toBe(2);
    expect(noSpark.max('port_pulse')).toBeGreaterThan(1);
    expect(noSpark.mean('rail_pressure', 5, 8)).toBeGreaterThan(250);
  });

  it('lost patterns are counted', () => {
    expect(withFault(idle, 'fault: sync_losses, every: 1.5 s').max('sync_loss_count')).toBeGreaterThan(3);
    expect(healthyIdle.max('sync_loss_count')).toBe(0);
  });

  it('an alternator off leaves the battery where it was, a weak one sags further', () => {
    expect(withFault(idle, 'fault: alternator_off').max('battery_voltage', 10)).toBeLessThan(12.7);
    expect(healthyIdle.mean('battery_voltage', 15)).toBeGreaterThan(13.5);
    expect(withFault(idle, 'fault: weak_battery, sag: 2 V').min('battery_voltage')).toBeLessThan(healthyIdle.min('battery_voltage') - 1);
  });

  it('low oil pressure is low, cranking and running', () => {
    expect(withFault(idle, 'fault: low_oil_pressure').max('oil_pressure')).toBeLessThan(60);
    expect(healthyIdle.mean('oil_pressure', 12)).toBeGreaterThan(150);
  });
});

describe('faults of sensors', () => {
  it('an open probe gives its fault value, or floats where the box has none', () => {
    const run = withFault(idle, 'fault: open_probe, cylinder: 2, from: 12 s');
    expect(run.samples('egt_2', 12.1).every(({ value }) => value === undefined)).toBe(true);
    expect(run.samples('egt_2', 1, 12).every(({ value }) => value !== undefined)).toBe(true);
    const blind = runScenario(`${idle}faults: [{ fault: open_probe, cylinder: 2, from: 12 s }]`, makeVehicle({ withoutOpenCode: true }));
    const values = blind.values('egt_2', 12.1);
    expect(Math.max(...values) - Math.min(...values)).toBeGreaterThan(20);
  });

  it('a shorted probe shows its cable instead of its port', () => {
    expect(withFault(idle, 'fault: shorted_probe, cylinder: 2').max('egt_2')).toBeLessThan(90);
  });

  it('a reversed probe is right cold and falls when heated', () => {
    const run = withFault(idle, 'fault: reversed_probe, cylinder: 2');
    expect(run.mean('egt_2', 1, 3)).toBeCloseTo(healthyIdle.mean('egt_2', 1, 3), -1);
    expect(run.mean('egt_2', 15)).toBeLessThan(-80);
  });

  it('a probe out of its port stays near the air around the engine', () => {
    expect(withFault(full, 'fault: probe_out, cylinder: 2').max('egt_2')).toBeLessThan(110);
  });

  it('swapped probes change places', () => {
    const text = `${key}  - { stage: warm_probe, cylinder: 3, for: 15 s }\n`;
    const warmed = (run: Run, n: number): number => run.max(`egt_${n}`, 10) - run.mean(`egt_${n}`, 2, 9);
    const right = runScenario(text, vehicle);
    expect(warmed(right, 3)).toBeGreaterThan(40);
    expect(warmed(right, 1)).toBeLessThan(5);
    const swapped = withFault(text, 'fault: swapped_probes, cylinders: [1, 3]');
    expect(warmed(swapped, 1)).toBeGreaterThan(40);
    expect(warmed(swapped, 3)).toBeLessThan(5);
  });

  it('a warmed connector moves a wrong extension, and a right one not', () => {
    const text = `${key}  - { stage: warm_connector, cylinder: 2, for: 20 s, heat: 80 degC }\n`;
    const moved = (run: Run): number => run.mean('egt_2', 26, 30) - run.mean('egt_2', 3, 9);
    expect(Math.abs(moved(runScenario(text, vehicle)))).toBeLessThan(3);
    expect(moved(withFault(text, 'fault: copper_extension, cylinder: 2'))).toBeLessThan(-30);
    expect(moved(withFault(text, 'fault: extension_crossed, cylinder: 2'))).toBeLessThan(-60);
  });

  it('a ground loop steps all probes with the starter', () => {
    const run = withFault(idle, 'fault: ground_loop, voltage: 0.8 mV');
    // 1 mV is 24 K.
    for (const n of [1, 2, 3, 4]) expect(run.mean(`egt_${n}`, 3.1, 3.4) - run.mean(`egt_${n}`, 1.5, 3)).toBeGreaterThan(14);
  });

  it('an offset, noise and a stuck sensor are what they say', () => {
    expect(withFault(key, 'fault: sensor_offset, channel: oil_pressure, by: 15 kPa').mean('oil_pressure', 2)).toBeCloseTo(15, 0);
    expect(withFault(key, 'fault: sensor_offset, channel: egt_2, by: 12 degC').mean('egt_2', 2)).toBeCloseTo(32, 0);
    const noisy = withFault(key, 'fault: sensor_noise, channel: oil_pressure, by: 20 kPa').values('oil_pressure', 2);
    expect(Math.max(...noisy) - Math.min(...noisy)).toBeGreaterThan(40);
    const stuck = withFault(idle, 'fault: sensor_stuck, channel: engine_speed, from: 12 s').values('engine_speed', 12.1);
    expect(new Set(stuck).size).toBe(1);
  });

  it('a dead spot drops the throttle in one place of its travel', () => {
    const text = `${key}  - { stage: throttle_sweep, for: 8 s }\n`;
    const spot = (run: Run): boolean => {
      const values = run.values('throttle', 10);
      return values.some((value, i) => i > 0 && (values[i - 1] as number) > 30 && value < 5);
    };
    expect(spot(withFault(text, 'fault: throttle_dead_spot, at: 50 %'))).toBe(true);
    expect(spot(runScenario(text, vehicle))).toBe(false);
    expect(runScenario(text, vehicle).max('throttle')).toBeGreaterThan(98);
  });

  it('a switched load moves the sensors of a bad supply together', () => {
    const text = `${key}  - { stage: switch, load: fan, for: 8 s }\n`;
    const moved = (run: Run, channel: string): number => Math.abs(run.mean(channel, 12.2, 15.8) - run.mean(channel, 5, 10));
    const bad = withFault(text, 'fault: supply_shift, group: sensors, load: fan, channel: manifold_pressure');
    expect(moved(bad, 'manifold_pressure')).toBeGreaterThan(2);
    // The rail is of that group: it steps beyond its slow leaking down.
    expect(Math.abs(moved(bad, 'rail_pressure') - moved(runScenario(text, vehicle), 'rail_pressure'))).toBeGreaterThan(5);
    expect(moved(bad, 'egt_1')).toBeLessThan(1);
    expect(moved(runScenario(text, vehicle), 'manifold_pressure')).toBeLessThan(0.5);
  });
});
