// The simulated engine against what is known from outside: first-order lag, mixture and temperature, rails, oil, supply, thermocouple wiring.
import { describe, expect, it } from 'vitest';
import { mixtureDropK, Probe, peakLambda } from '../../server/simulator/exhaust-model.ts';
import { Random } from '../../server/simulator/random.ts';
import { settleHold } from '../../server/simulator/settled-hold.ts';
import { readThermocouple, toTypeKMillivolt, toTypeKTemperature } from '../../server/simulator/thermocouple-wiring.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { readScenario, runScenario } from '../doubles/simulated-run.ts';

const vehicle = makeVehicle({ cylinders: 6, plenum: true });
const head = 'scenario: t\nengine: { boost: 200 kPa, scatter: 0 % }\n';
const started = `${head}stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 6 s }
`;

describe('a probe', () => {
  // First-order step response: 63.21 % at tau, 86.47 % at two, 95.02 % at three, 99.33 % at five.
  it.each([
    [1, 0.6321],
    [2, 0.8647],
    [3, 0.9502],
    [5, 0.9933],
  ])('has answered after %i time constants by %f', (taus, share) => {
    const probe = new Probe(0.8, 0);
    for (let s = 0; s < taus * 0.8 - 1e-9; s += 0.01) probe.step(1000, 1, 0.01);
    expect(probe.tempC / 1000).toBeCloseTo(share, 3);
  });

  it('lags behind a ramp by slope times time constant', () => {
    const probe = new Probe(0.5, 0);
    let around = 0;
    for (let s = 0; s < 10; s += 0.01) {
      around += 1;
      probe.step(around, 1, 0.01);
    }
    // 100 K/s × 0.5 s = 50 K.
    expect(around - probe.tempC).toBeCloseTo(50, 0);
  });
});

describe('the mixture', () => {
  it('is hottest near its peak and cools on either side, more the further', () => {
    for (const step of [0.02, 0.05, 0.1, 0.2]) {
      expect(mixtureDropK(peakLambda + step)).toBeGreaterThan(mixtureDropK(peakLambda + step / 2));
      expect(mixtureDropK(peakLambda - step)).toBeGreaterThan(mixtureDropK(peakLambda - step / 2));
    }
    expect(mixtureDropK(peakLambda)).toBe(0);
  });

  it('makes a cylinder hotter when it gets less fuel at rich full load, and cooler with more', () => {
    const gas = (trim: string): number =>
      settleHold(vehicle, readScenario(`${started}trims: { port: { 3: ${trim} } }`, vehicle), 5000, 100).gasC[2] as number;
    expect(gas('-8 %')).toBeGreaterThan(gas('0 %') + 3);
    expect(gas('8 %')).toBeLessThan(gas('0 %') - 3);
  });

  it('makes a cylinder cooler when it gets less fuel while already lean of the peak', () => {
    const gas = (flow: number): number => {
      const text = `${started}  - { stage: hold, for: 20 s, speed: 3000 rpm, load: 8 % }\nfaults: [{ fault: weak_injector, cylinder: 3, flow: ${flow} % }]`;
      return runScenario(text, vehicle).mean('egt_3', 24, 29);
    };
    // Light load runs near stoichiometric on petrol: 85 % of the fuel is lean of the peak, 75 % leaner still.
    expect(gas(75)).toBeLessThan(gas(85) - 5);
  });

  it('carries an error of a group with the plan in force, and only by the set that has it', () => {
    const gas = (lines: string): number[] =>
      settleHold(vehicle, readScenario(`${started}distribution: { group: { A: -6 % } }\n${lines}`, vehicle), 5000, 100).gasC;
    const built = gas('');
    expect(Math.min(...built.slice(0, 3))).toBeGreaterThan(Math.max(...built.slice(3)) + 3);
    const oddEven = gas('plan: { plenum: odd-even }');
    expect(Math.min(oddEven[0] as number, oddEven[2] as number, oddEven[4] as number)).toBeGreaterThan((oddEven[1] as number) + 3);
    const off = gas('off: [plenum]');
    expect(Math.max(...off) - Math.min(...off)).toBeLessThan(1);
  });

  it('is later burnt with less advance, and hotter', () => {
    const gas = (offset: string): number =>
      settleHold(vehicle, readScenario(started.replace('scatter: 0 %', `scatter: 0 %, timing_offset: ${offset}`), vehicle), 5000, 100)
        .gasC[0] as number;
    expect(gas('-6 deg')).toBeGreaterThan(gas('0 deg') + 10);
  });
});

describe('the engine', () => {
  const pull = runScenario(
    `${started}  - { stage: warm_up, for: 20 s, speed: 1800 rpm }
  - { stage: pull, from: 2500 rpm, to: 6500 rpm, rate: 400 rpm/s }
  - { stage: idle, for: 8 s }`,
    vehicle,
  );

  it('turns slowly on the starter, fires, idles, and sweeps as told', () => {
    expect(pull.max('engine_speed', 3.3, 3.8)).toBeLessThan(300);
    expect(pull.mean('engine_speed', 7, 9)).toBeGreaterThan(900);
    expect(pull.max('engine_speed')).toBeGreaterThan(6400);
    expect(pull.mean('engine_speed', 50)).toBeLessThan(1300);
  });

  it('is below the atmosphere at idle, at it with the key on, and well above at full load', () => {
    expect(pull.mean('manifold_pressure', 1, 2.5)).toBeCloseTo(101.3, 0);
    expect(pull.mean('manifold_pressure', 7, 9)).toBeLessThan(60);
    expect(pull.mean('manifold_pressure', 37, 40)).toBeGreaterThan(180);
  });

  it('builds boost with a lag behind the throttle', () => {
    const opened = pull.samples('throttle', 29).find(({ value }) => (value ?? 0) > 90)?.s as number;
    const boosted = pull.samples('manifold_pressure', 29).find(({ value }) => (value ?? 0) > 150)?.s as number;
    expect(boosted - opened).toBeGreaterThan(0.1);
  });

  it('keeps each rail at its target over what it discharges into, with a gauge sensor and an absolute one', () => {
    for (const [from, to] of [
      [7, 9],
      [37, 40],
    ] as const) {
      const baro = pull.mean('station_pressure', from, to);
      expect(pull.mean('rail_pressure', from, to) + baro - pull.mean('manifold_pressure', from, to)).toBeCloseTo(300, -1);
      expect(pull.mean('plenum_rail', from, to)).toBeCloseTo(300, -1);
    }
  });

  it('uses a plausible share of each injection period at full load', () => {
    const duty = (pulse: string, injections: number): number =>
      (pull.mean(pulse, 38, 39) * pull.mean('engine_speed', 38, 39) * injections) / 1200;
    expect(duty('port_pulse', 1)).toBeGreaterThan(50);
    expect(duty('port_pulse', 1)).toBeLessThan(90);
    expect(duty('plenum_pulse', 2)).toBeGreaterThan(50);
    expect(pull.mean('plenum_pulse', 7, 9)).toBe(0);
  });

  it('sags the battery under the starter and charges once it runs, unless nothing charges', () => {
    expect(pull.min('battery_voltage', 3, 5)).toBeLessThan(10.5);
    expect(pull.min('battery_voltage', 3, 5)).toBeGreaterThan(8);
    expect(pull.mean('battery_voltage', 20)).toBeGreaterThan(13.5);
    const without = makeVehicle({ cylinders: 6, electrical: '{ nominal: 12 V, charging: false }' });
    const total = runScenario(`${started}  - { stage: idle, for: 10 s }`, without);
    expect(total.max('battery_voltage', 10)).toBeLessThan(12.7);
  });

  it('shows oil pressure while cranking, more with speed, and less when it is hot', () => {
    const at = (start: string): number =>
      runScenario(`start: ${start}\n${started}  - { stage: idle, for: 10 s }`, vehicle).mean('oil_pressure', 12, 19);
    expect(pull.mean('oil_pressure', 0.8, 2.9)).toBeCloseTo(0, 0);
    expect(pull.mean('oil_pressure', 38, 39)).toBeGreaterThan(pull.mean('oil_pressure', 7, 9));
    expect(at('cold')).toBeGreaterThan(at('hot') + 30);
    const crank = runScenario(`${head}stages: [{ stage: key_on, for: 2 s }, { stage: oil_crank, for: 8 s }]`, vehicle);
    expect(crank.max('oil_pressure')).toBeGreaterThan(100);
    expect(crank.max('port_pulse')).toBe(0);
    expect(crank.mean('fuel_cut', 3, 10)).toBe(1);
    expect(crank.max('egt_1')).toBeLessThan(30);
  });

  it('warms its water and oil', () => {
    const warm = runScenario(`${started}  - { stage: warm_up, for: 240 s, speed: 2000 rpm }`, vehicle);
    expect(warm.mean('coolant_temp', 240)).toBeGreaterThan(warm.mean('coolant_temp', 10, 20) + 20);
    expect(warm.mean('oil_temp', 240)).toBeGreaterThan(warm.mean('oil_temp', 10, 20) + 10);
    for (const c of warm.values('coolant_temp')) expect(c).toBeLessThan(105);
  });

  it('starts hot with falling exhaust temperatures, which then rise', () => {
    const hot = runScenario(
      `start: hot\n${head}stages: [{ stage: key_on, for: 3 s }, { stage: crank, for: 3 s }, { stage: start, for: 20 s }]\nengine: { fires_after: 4 s, scatter: 0 % }`.replace(
        /engine: \{ boost[^\n]*\n/,
        '',
      ),
      vehicle,
    );
    expect(hot.mean('egt_1', 5.5, 6)).toBeLessThan(hot.mean('egt_1', 1, 3));
    expect(hot.mean('egt_1', 24, 26)).toBeGreaterThan(hot.mean('egt_1', 6, 7));
  });

  it('lets a shared manifold warm a dead port', () => {
    const dead = (share: string): number =>
      runScenario(
        `scenario: t\nengine: { scatter: 0 %, shared_manifold: ${share} }\nstages: [{ stage: key_on, for: 3 s }, { stage: start, for: 6 s }, { stage: idle, for: 20 s }]\nfaults: [{ fault: dead_injector, cylinder: 2 }]`,
        vehicle,
      ).mean('egt_2', 25);
    expect(dead('30 %')).toBeGreaterThan(dead('0 %') + 30);
  });
});

describe('thermocouple wiring', () => {
  it('follows the published curve of type K', () => {
    // NIST ITS-90: 800 °C 33.275 mV, 100 °C 4.096, −100 °C −3.554, 1300 °C 52.410.
    for (const [c, mv] of [
      [800, 33.275],
      [100, 4.096],
      [-100, -3.554],
      [1300, 52.41],
      [0, 0],
    ] as const) {
      expect(toTypeKMillivolt(c)).toBeCloseTo(mv, 3);
      expect(toTypeKTemperature(toTypeKMillivolt(c))).toBeCloseTo(c, 1);
    }
  });

  it('reads 700 for 800 °C crossed at both ends, 750 through copper, −11 for 60 °C reversed, and the short', () => {
    expect(readThermocouple('extension crossed', 800, 80, 30)).toBeCloseTo(700, -0.5);
    expect(readThermocouple('copper extension', 800, 80, 30)).toBeCloseTo(750, -0.5);
    expect(readThermocouple('reversed', 60, 25, 25)).toBeCloseTo(-11, 0);
    expect(readThermocouple('shorted', 800, 80, 30)).toBe(80);
    expect(readThermocouple('right', 800, 80, 30)).toBe(800);
  });

  it.each(['reversed', 'extension crossed', 'copper extension', 'shorted'] as const)('is right when cold: %s', (wiring) => {
    expect(readThermocouple(wiring, 20, 20, 20)).toBeCloseTo(20, 1);
  });
});

describe('random numbers', () => {
  it('are the same from the same seed and name, and differ with either', () => {
    const first = (seed: number, name: string): number[] => {
      const random = new Random(seed, name);
      return [random.bits(), random.bits(), random.bits()];
    };
    expect(first(1, 'a')).toEqual(first(1, 'a'));
    expect(first(1, 'a')).not.toEqual(first(2, 'a'));
    expect(first(1, 'a')).not.toEqual(first(1, 'b'));
  });

  it('have the mean and spread asked for', () => {
    const random = new Random(5, 'moments');
    const draws = Array.from({ length: 20_000 }, () => random.normal(2));
    const mean = draws.reduce((sum, x) => sum + x, 0) / draws.length;
    const deviation = Math.sqrt(draws.reduce((sum, x) => sum + (x - mean) ** 2, 0) / draws.length);
    expect(mean).toBeCloseTo(0, 1);
    expect(deviation).toBeCloseTo(2, 1);
    const waits = Array.from({ length: 20_000 }, () => random.wait(3));
    expect(waits.reduce((sum, x) => sum + x, 0) / waits.length).toBeCloseTo(3, 0);
  });
});
