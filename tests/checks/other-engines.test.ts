// The first start on engines unlike the demo: other units and names, two-strokes, absolute oil sensors, channels that fall silent.
import { describe, expect, it } from 'vitest';
import type { SeriesSet } from '../../server/channels/series.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import { checkFirstStart } from '../../server/checks/first-start.ts';
import type { CheckResult } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { toProblemLine } from '../../server/definitions/problem.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { badOf } from '../doubles/judged-run.ts';
import { type MadeChannel, makeSeries } from '../doubles/made-series.ts';

/** Two cylinders of a two-stroke, in degF and psi, under names of its own. */
function twin(engine = '', box = ''): Vehicle {
  const { vehicle, problems } = parseVehicle([
    {
      path: 'vehicle.yaml',
      text: `vehicle: Twin
electrical: { nominal: 12 V, charging: false }
buses:
  only: { bit_rate: 500 kbit/s, devices: [logger] }
engine:
  cycle: two-stroke
  cylinders: 2
  speed: n_mot
  oil_pressure: oil_abs
  barometer: 14.5 psi
  exhaust_temps: { 1: { channel: pipe_left }, 2: { channel: pipe_right } }
${engine}`,
    },
    {
      path: 'devices/logger.yaml',
      text: `device: logger
title: Logger
frames:
  - { name: one, id: 1, length: 8, period: 50 ms, signals: [ { name: n_mot, bytes: 0..1, unit: rpm },
      { name: oil_abs, bytes: 2..3, factor: 0.01, unit: psi, reference: absolute },
      { name: pipe_left, bytes: 4..5, unit: degF }, { name: pipe_right, bytes: 6..7, unit: degF } ] }
${box}`,
    },
  ]);
  if (!vehicle) throw new Error(problems.map((problem) => toProblemLine(problem)).join('\n'));
  return vehicle;
}

/** Cranks from 2 s, runs by itself from 4 s on, never stops. */
const speed: MadeChannel = { unit: 'rpm', at: (s) => (s < 2 ? 0 : s < 4 ? 200 : 1100) };
const oil: MadeChannel = { unit: 'psi', at: (s) => 14.5 + (s < 4.5 ? 0 : 40) };
const lit = (fromF = 70): MadeChannel => ({ unit: 'degF', at: (s) => fromF + (s < 4 ? 0 : 900 * (1 - Math.exp(-(s - 4) / 5))) });
const unlit = (fromF = 70): MadeChannel => ({ unit: 'degF', at: () => fromF });
const made = (more: Record<string, MadeChannel> = {}): SeriesSet =>
  makeSeries(20, { n_mot: speed, oil_abs: oil, pipe_left: lit(), pipe_right: lit(), ...more });
const judge = (vehicle: Vehicle, series: SeriesSet): CheckResult => checkFirstStart(series, vehicle, new TrafficLog(vehicle));
const oilVerdict = (result: CheckResult) => result.verdicts.find(({ code, phase }) => code === 'oil-pressure' && phase === 'running');

describe('a two-stroke twin in degF and psi', () => {
  it('runs well and nothing is called', () => {
    const result = judge(twin(), made());
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.filter(({ code, ok }) => code === 'cylinder-cold' && ok)).toHaveLength(2);
  });

  it('with a dead right cylinder has it named, in kelvin', () => {
    const result = judge(twin(), made({ pipe_right: unlit() }));
    expect(badOf(result)).toEqual(['cylinder-cold 2']);
    const cold = result.verdicts.find(({ ok }) => !ok);
    // The left one has risen by 900 °F × (1 − e^(−t/5 s)) = 500 K × (1 − e^(−t/5 s)) when the call is made; the call looks back 0.25 s.
    const rise = (s: number) => 500 * (1 - Math.exp(-s / 5));
    const since = (cold?.at as number) - 4;
    expect(-(cold?.measured as number)).toBeGreaterThan(rise(since - 0.3));
    expect(-(cold?.measured as number)).toBeLessThan(rise(since));
  });

  it('with both probes silent judges neither', () => {
    const silent: MadeChannel = { unit: 'degF', at: () => undefined };
    const result = judge(twin(), made({ pipe_left: silent, pipe_right: silent }));
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.some(({ code }) => code === 'cylinder-cold')).toBe(false);
    expect(result.notJudged?.filter(({ what }) => what.includes('is lit'))).toHaveLength(2);
  });
});

describe('an absolute oil sensor', () => {
  it('is read over the atmosphere: 5 psi of oil is 34 kPa, too little, though it reads 134 kPa', () => {
    const verdict = oilVerdict(judge(twin(), made({ oil_abs: { unit: 'psi', at: (s) => 14.5 + (s < 4.5 ? 0 : 5) } })));
    expect(verdict).toMatchObject({ ok: false, at: 7 });
    expect(verdict?.measured).toBeCloseTo(34.5, 1);
  });

  it('that gives no number once the engine runs is a miss at the deadline', () => {
    expect(oilVerdict(judge(twin(), made({ oil_abs: { unit: 'psi', at: (s) => (s < 4.2 ? 14.5 : undefined) } })))).toMatchObject({
      ok: false,
      at: 7,
    });
  });

  it('that falls silent later is a miss too', () => {
    expect(oilVerdict(judge(twin(), made({ oil_abs: { ...oil, untilS: 12 } })))).toMatchObject({ ok: false, measured: null });
  });
});

describe('engine speed that goes stale while it runs', () => {
  it('counts as running: oil lost afterwards is called', () => {
    const lost: MadeChannel = { unit: 'psi', at: (s) => 14.5 + (s < 4.5 || s > 12 ? 0 : 40) };
    const verdict = oilVerdict(judge(twin(), made({ n_mot: { ...speed, untilS: 6 }, oil_abs: lost })));
    expect(verdict?.ok).toBe(false);
    expect(verdict?.at).toBeCloseTo(12.35, 1);
  });

  it('does not when the engine was proven stopped: oil falls with it', () => {
    const stops: MadeChannel = { unit: 'rpm', at: (s) => (s < 2 ? 0 : s < 4 ? 200 : s < 12 ? 1100 : 0) };
    const falls: MadeChannel = { unit: 'psi', at: (s) => 14.5 + (s < 4.5 || s > 12.2 ? 0 : 40) };
    expect(badOf(judge(twin(), made({ n_mot: stops, oil_abs: falls })))).toEqual([]);
  });
});

describe('probes that see several cylinders', () => {
  it('say nothing of one of them: a collector is not judged as a port', () => {
    const vehicle = twin();
    for (const probe of vehicle.engine?.exhaustTemps ?? []) probe.place = 'collector';
    const result = judge(vehicle, made({ pipe_right: unlit() }));
    expect(result.verdicts.some(({ code }) => code === 'cylinder-cold')).toBe(false);
  });
});

describe('a hot restart by hand', () => {
  /** Falls while it cranks; a lit one then rises, a dead one goes on falling. */
  const falling: MadeChannel = { unit: 'degF', at: (s) => 600 - 12 * s };
  const rises: MadeChannel = { unit: 'degF', at: (s) => (s < 4.4 ? 600 - 12 * s : 547 + 500 * (1 - Math.exp(-(s - 4.4) / 5))) };

  it('names the one that goes on falling', () => {
    expect(badOf(judge(twin(), made({ pipe_left: rises, pipe_right: falling })))).toEqual(['cylinder-cold 2']);
  });

  it('is quiet when both rise', () => {
    expect(badOf(judge(twin(), made({ pipe_left: rises, pipe_right: rises })))).toEqual([]);
  });
});

describe('what the file leaves out', () => {
  it('is not judged, one line each', () => {
    const vehicle = twin();
    if (vehicle.engine) {
      vehicle.engine.exhaustTemps = [];
      delete vehicle.engine.roles.oilPressure;
    }
    const result = judge(vehicle, made());
    expect(badOf(result)).toEqual([]);
    const lines = result.notJudged?.map(({ line }) => line) ?? [];
    expect(lines).toContain('engine: { oil_pressure: <channel> }');
    expect(lines).toContain('engine: { exhaust_temps: { 1: { channel: ..., place: port } } }');
  });

  it('without an engine speed there is no start to judge', () => {
    const vehicle = twin();
    if (vehicle.engine) delete vehicle.engine.roles.speed;
    expect(judge(vehicle, made())).toMatchObject({ verdicts: [], notJudged: [{ line: 'engine: { speed: <channel of engine speed> }' }] });
  });

  it('an empty recording is no crash', () => {
    expect(judge(twin(), makeSeries(0, {})).verdicts).toEqual([]);
  });
});

it('judges the fuel pressure of an injector set whose name has a hyphen', () => {
  const sets = `injector_sets:
  left-port: { cylinders: [1, 2], rail: fuel_rail, discharge: manifold, target: 300 kPa }`;
  const pressures = `  - { name: two, id: 2, length: 8, period: 50 ms, signals: [ { name: fuel_rail, bytes: 0..1, unit: kPa, reference: gauge },
      { name: manifold, bytes: 2..3, unit: kPa, reference: absolute } ] }`;
  const low: MadeChannel = { unit: 'kPa', at: (s) => (s < 9 ? 300 : 180) };
  const result = judge(twin(sets, pressures), made({ fuel_delta_left_port: low }));
  expect(result.verdicts.find(({ code }) => code === 'fuel-delta')).toMatchObject({ ok: false, set: 'left-port', measured: 180 });
});
