// The first start judged on engines of many kinds: what is wrong is named, what is well stays quiet, what is not said is not judged.
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import { checkFirstStart } from '../../server/checks/first-start.ts';
import { GatheredCheck } from '../../server/checks/gathered-check.ts';
import { usualLimits } from '../../server/checks/usual-limits.ts';
import type { Engine } from '../../server/definitions/vehicle.ts';
import { badOf, judgePlayed, usualStart } from '../doubles/judged-run.ts';
import { type MadeChannel, makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const range = (to: number): number[] => Array.from({ length: to }, (_, i) => i + 1);
const dead = (cylinder: number) => `fault: dead_injector, cylinder: ${cylinder}`;

describe('cylinders', () => {
  it.each([1, 2, 3, 5, 8, 12, 16])('of a healthy engine of %i are all lit, from cold', async (cylinders) => {
    const result = await judgePlayed('first-start', makeVehicle({ cylinders }), { stages: usualStart });
    expect(badOf(result)).toEqual([]);
    const lit = result.verdicts.filter(({ code, ok }) => code === 'cylinder-cold' && ok).map(({ cylinder }) => cylinder);
    expect(lit).toEqual(range(cylinders));
  });

  it.each([2, 3, 4, 6, 8, 12, 16])('the last of %i dead is the one that is named, within 8 s of the first fire', async (cylinders) => {
    const result = await judgePlayed('first-start', makeVehicle({ cylinders }), { stages: usualStart, faults: [dead(cylinders)] });
    expect(badOf(result)).toEqual([`cylinder-cold ${cylinders}`]);
    const ranAt = result.verdicts.find(({ code, ok }) => code === 'failed-crank' && ok)?.at as number;
    const cold = result.verdicts.find(({ code, ok }) => code === 'cylinder-cold' && !ok);
    expect((cold?.at as number) - ranAt).toBeLessThan(8);
    expect(cold?.confidence).toBeGreaterThan(0.5);
  });

  it('two of four dead are both named', async () => {
    const faults = ['fault: misfire, cylinder: 1', 'fault: misfire, cylinder: 2'];
    const result = await judgePlayed('first-start', makeVehicle({ cylinders: 4 }), { stages: usualStart, faults });
    expect(badOf(result)).toEqual(['cylinder-cold 1', 'cylinder-cold 2']);
  });

  it('a hot restart begins with falling temperatures and calls nobody cold', async () => {
    for (const seed of [1, 2, 3]) {
      const result = await judgePlayed('first-start', makeVehicle({ cylinders: 8 }), { stages: usualStart, start: 'hot', seed });
      expect(badOf(result)).toEqual([]);
    }
  });

  it('of a V8 in two banks a dead one is named beside all the others', async () => {
    const vehicle = makeVehicle({ cylinders: 8, banks: { left: [1, 3, 5, 7], right: [2, 4, 6, 8] }, plenum: true });
    const result = await judgePlayed('first-start', vehicle, { stages: usualStart, faults: [dead(5)] });
    expect(badOf(result)).toEqual(['cylinder-cold 5']);
  });

  it('at break-in speed a dead one is named as at idle', async () => {
    const stages = usualStart.map((stage) => (stage.includes('idle') ? 'stage: break_in, speed: 2000 rpm, for: 12 s' : stage));
    expect(badOf(await judgePlayed('first-start', makeVehicle(), { stages, faults: [dead(2)] }))).toEqual(['cylinder-cold 2']);
    expect(badOf(await judgePlayed('first-start', makeVehicle(), { stages }))).toEqual([]);
  });

  it.each([1, 2, 4])('of %i are not called cold while the fuel is cut with the throttle shut, nor right behind it', async (cylinders) => {
    const shut = ['stage: idle, for: 4 s', 'stage: hold, speed: 2000 rpm, load: 0 %, for: 8 s'];
    const stages = usualStart.flatMap((stage) => (stage.includes('idle') ? [...shut, stage] : [stage]));
    expect(badOf(await judgePlayed('first-start', makeVehicle({ cylinders }), { stages }))).toEqual([]);
    const faults = cylinders > 1 ? [dead(cylinders)] : [];
    const found = cylinders > 1 ? [`cylinder-cold ${cylinders}`] : [];
    expect(badOf(await judgePlayed('first-start', makeVehicle({ cylinders }), { stages, faults }))).toEqual(found);
  });

  it('without a probe are not judged, and the line that would let them is named', async () => {
    const result = await judgePlayed('first-start', makeVehicle({ withoutProbe: [2, 3] }), { stages: usualStart, faults: [dead(3)] });
    expect(badOf(result)).toEqual([]);
    expect(result.notJudged?.map(({ line }) => line)).toEqual([
      'engine: { exhaust_temps: { 2: ... } }',
      'engine: { exhaust_temps: { 3: ... } }',
    ]);
  });

  it('with one probe: lit or dead is told from cold, and nothing on a warm engine', async () => {
    const vehicle = makeVehicle({ withoutProbe: [2, 3, 4] });
    expect(badOf(await judgePlayed('first-start', vehicle, { stages: usualStart }))).toEqual([]);
    expect(badOf(await judgePlayed('first-start', vehicle, { stages: usualStart, faults: [dead(1)] }))).toEqual(['cylinder-cold 1']);
    const hot = await judgePlayed('first-start', vehicle, { stages: usualStart, start: 'hot' });
    expect(hot.verdicts.filter(({ code }) => code === 'cylinder-cold')).toEqual([]);
    expect(hot.notJudged?.some(({ what }) => what.includes('one probe on a warm engine'))).toBe(true);
  });
});

describe('a recording that still grows', () => {
  it('gives a dead cylinder at the same time as the whole recording', async () => {
    const played = { stages: usualStart, faults: [dead(3)] };
    const whole = await judgePlayed('first-start', makeVehicle(), played);
    const cold = whole.verdicts.find(({ code, ok }) => code === 'cylinder-cold' && !ok);
    const seconds = (cold?.at as number) + 0.5;
    const grown = await judgePlayed('first-start', makeVehicle(), { ...played, seconds });
    expect(grown.verdicts.find(({ code, ok }) => code === 'cylinder-cold' && !ok)?.at).toBe(cold?.at);
    const before = await judgePlayed('first-start', makeVehicle(), { ...played, seconds: seconds - 1 });
    expect(before.verdicts.filter(({ code, ok }) => code === 'cylinder-cold' && !ok)).toEqual([]);
  });

  it('misses oil pressure within 100 ms of its deadline', async () => {
    const played = { stages: usualStart, faults: ['fault: low_oil_pressure'] };
    const isMiss = ({ code, phase, ok }: { code: string; phase?: unknown; ok: boolean }) =>
      code === 'oil-pressure' && phase === 'running' && !ok;
    const whole = await judgePlayed('first-start', makeVehicle({ more: '' }), played);
    const ranAt = whole.verdicts.find(({ code }) => code === 'failed-crank')?.at as number;
    const deadline = ranAt + usualLimits['first-start'].oilRunningWithinS.usual;
    expect(whole.verdicts.find(isMiss)?.at).toBeCloseTo(deadline, 5);
    const grown = await judgePlayed('first-start', makeVehicle(), { ...played, seconds: deadline + 0.1 });
    expect(grown.verdicts.find(isMiss)?.at).toBeCloseTo(deadline, 5);
    const before = await judgePlayed('first-start', makeVehicle(), { ...played, seconds: deadline - 0.05 });
    expect(before.verdicts.filter(isMiss)).toEqual([]);
  });
});

describe('what the engine has to be shut down for', () => {
  const stopsOf = async (faults: string[], more = '') => {
    const result = await judgePlayed('first-start', makeVehicle({ more }), { stages: usualStart, faults });
    return result.verdicts.filter(({ stop }) => stop).map(({ code, unit }) => [code, unit]);
  };

  it('is oil pressure, a fuel pressure delta off its band, and a cylinder that stays cold', async () => {
    expect(await stopsOf([])).toEqual([]);
    expect(await stopsOf(['fault: low_oil_pressure'])).toEqual([['oil-pressure', 'kPa']]);
    expect(await stopsOf(['fault: return_blocked, set: port'])).toEqual([['fuel-delta', 'kPa']]);
    expect(await stopsOf([dead(2)])).toEqual([['cylinder-cold', 'K']]);
  });

  it('is a cold cylinder in the break-in of a flat-tappet cam only when it stays so: a new start wears the cam', async () => {
    const coldOf = async (more: string) => {
      const vehicle = makeVehicle({ more });
      const breaksIn = { ...vehicle, engine: { ...(vehicle.engine as Engine), breakIn: 'flat-tappet' as const } };
      const result = await judgePlayed('first-start', breaksIn, { stages: usualStart, faults: [dead(2)] });
      return result.verdicts.find(({ code, ok }) => code === 'cylinder-cold' && !ok);
    };
    // It runs for a quarter of a minute here; the usual limit is half a minute.
    const patient = await coldOf('');
    expect(patient).toMatchObject({ cylinder: 2 });
    expect(patient?.stop).toBeUndefined();
    expect(patient?.say).toContain('a stop and another start wear the cam');
    expect(patient?.next).toContain('30 s');
    expect(await coldOf('checks: { first-start: { cold_stop_break_in: 5 s } }')).toMatchObject({ cylinder: 2, stop: true });
  });

  it('is no cylinder that burns late or weakly: that one is to be watched', () => {
    // Fires at 7 s; the exhausts rise by 400 K with a lag of 3 s, that of cylinder 3 by 250 K.
    const speed = (s: number) => (s < 5 ? 0 : s < 7 ? 200 : 1000);
    const exhaust = (by: number): MadeChannel => ({ unit: 'degC', at: (s) => 20 + by * (1 - Math.exp(-Math.max(0, s - 7) / 3)) });
    const ports = range(6).map((n): [string, MadeChannel] => [`egt_${n}`, exhaust(n === 3 ? 250 : 400)]);
    const vehicle = makeVehicle({ cylinders: 6 });
    const series = makeSeries(30, { engine_speed: { unit: 'rpm', at: speed }, ...Object.fromEntries(ports) });
    const result = checkFirstStart(series, vehicle, new TrafficLog(vehicle));
    const lazy = result.verdicts.find(({ cylinder }) => cylinder === 3);
    expect(lazy).toMatchObject({ code: 'cylinder-lazy', ok: false });
    expect(lazy?.stop).toBeUndefined();
    expect(lazy?.next).toMatch(/^Watch it/);
  });

  it('is coolant or oil too hot', async () => {
    const limits = 'checks: { first-start: { coolant_most: 1 degC, oil_most: 34 degF } }';
    expect(await stopsOf([], limits)).toEqual([
      ['coolant-hot', 'degC'],
      ['oil-hot', 'degC'],
    ]);
  });
});

describe('starts', () => {
  it('of several the last one decides: a failed first is not held against it', async () => {
    const stages = [
      'stage: key_on, for: 4 s',
      'stage: start, for: 5 s, as: first',
      'stage: stop, for: 4 s',
      'stage: start, for: 6 s',
      'stage: idle, for: 10 s',
      'stage: stop, for: 3 s',
    ];
    const result = await judgePlayed('first-start', makeVehicle(), { stages, faults: ['fault: no_spark, during: first'] });
    expect(badOf(result)).toEqual([]);
  });

  it.each([
    ['no_sync', 'sync'],
    ['no_fuel', 'fuel pressure'],
    ['no_spark', 'no fire'],
  ])('that fail by %s say so', async (fault, reason) => {
    const result = await judgePlayed('first-start', makeVehicle(), { stages: usualStart, faults: [`fault: ${fault}`] });
    expect(result.verdicts.find(({ code, ok }) => code === 'failed-crank' && !ok)?.reason).toBe(reason);
  });

  it('a cranking engine without fuel and spark is the oil step, never a failed start', async () => {
    const result = await judgePlayed('first-start', makeVehicle(), { stages: usualStart.slice(0, 3) });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.find(({ code }) => code === 'oil-pressure')).toMatchObject({ ok: true, phase: 'cranking' });
    expect(result.verdicts.some(({ code }) => code === 'failed-crank')).toBe(false);
  });
});

describe('supply', () => {
  it('without an alternator charging is no question', async () => {
    const vehicle = makeVehicle({ electrical: '{ nominal: 12 V, charging: false }' });
    const result = await judgePlayed('first-start', vehicle, { stages: usualStart, faults: ['fault: alternator_off'] });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.some(({ code }) => code === 'charging')).toBe(false);
  });

  it('without a nominal voltage is not judged, and names the line', async () => {
    const result = await judgePlayed('first-start', makeVehicle({ electrical: '{ chemistry: lithium }' }), { stages: usualStart });
    expect(result.verdicts.some(({ code }) => code === 'cranking-voltage' || code === 'charging')).toBe(false);
    expect(result.notJudged?.map(({ line }) => line)).toContain('electrical: { nominal: 12 V }');
  });

  it('of 16 V is measured against 16 V', async () => {
    const result = await judgePlayed('first-start', makeVehicle({ electrical: '{ nominal: 16 V, charging: false }' }), {
      stages: usualStart,
    });
    expect(result.verdicts.find(({ code }) => code === 'cranking-voltage')?.limit).toBeCloseTo((9.6 * 16) / 12, 6);
  });
});

describe('limits in vehicle.yaml', () => {
  it('take the place of the usual ones', async () => {
    const vehicle = makeVehicle({ more: 'checks: { first-start: { oil_running: 900 kPa, cranking: 12.4 V } }' });
    const result = await judgePlayed('first-start', vehicle, { stages: usualStart });
    expect(badOf(result)).toContain('cranking-voltage battery_voltage');
    expect(result.verdicts.find(({ code, phase }) => code === 'oil-pressure' && phase === 'running')).toMatchObject({
      ok: false,
      limit: 900,
    });
  });

  it('that are not understood are told, and the usual ones hold', async () => {
    const vehicle = makeVehicle({ more: 'checks: { first-start: { oil_running: plenty, oil_runing: 90 kPa, cranking: 9 } }' });
    const result = await judgePlayed('first-start', vehicle, { stages: usualStart });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.find(({ code, phase }) => code === 'oil-pressure' && phase === 'running')?.limit).toBe(70);
    const told = result.notJudged?.filter(({ what }) => what.startsWith('checks: first-start')) ?? [];
    expect(told).toHaveLength(3);
    expect(told[0]?.line).toBe('oil_running: 70 kPa');
  });
});

describe('a recording that grows', () => {
  it('is due for judging at the very deadline of oil pressure, and says the miss then', async () => {
    const vehicle = makeVehicle();
    const stages = usualStart.map((stage) => `  - { ${stage} }\n`).join('');
    const text = `scenario: t\nseed: 1\nstages:\n${stages}faults:\n  - { fault: low_oil_pressure }\n`;
    const { batch } = runScenario(text, vehicle);
    const gathered = new GatheredCheck('first-start', vehicle);
    const piece = new FrameBatch(64);
    let saidUs: number | undefined;
    let deadlineUs: number | undefined;
    for (let i = 0; i < batch.count && saidUs === undefined; i++) {
      piece.clear();
      piece.pushFrom(batch, i);
      gathered.take(piece);
      const isLook = i % 400 === 0;
      if (!isLook && !gathered.isDue) continue;
      const { verdicts, due } = gathered.judge();
      if (due !== undefined) deadlineUs = (batch.timeUs[0] as number) + due * 1e6;
      if (verdicts.some(({ code, ok, phase }) => code === 'oil-pressure' && !ok && phase === 'running')) saidUs = batch.timeUs[i];
    }
    expect(deadlineUs).toBeDefined();
    expect((saidUs as number) - (deadlineUs as number)).toBeGreaterThanOrEqual(0);
    expect((saidUs as number) - (deadlineUs as number)).toBeLessThan(20_000);
    expect(gathered.isDue).toBe(false);
  });
});

describe('a probe that is wrong at the start', () => {
  it.each(['cold', 'hot'] as const)('reversed is named so from %s, and its cylinder called neither lit nor cold', async (start) => {
    const result = await judgePlayed('first-start', makeVehicle(), {
      stages: usualStart,
      start,
      faults: ['fault: reversed_probe, cylinder: 2'],
    });
    expect(badOf(result)).toEqual(['probe-reversed 2']);
    expect(result.verdicts.some(({ code, cylinder }) => code === 'cylinder-cold' && cylinder === 2)).toBe(false);
    expect(result.notJudged?.map(({ what }) => what)).toContain('whether cylinder 2 is lit (egt_2 is reversed)');
  });

  it('open, or lost on the way, is called neither lit nor cold', async () => {
    for (const fault of ['fault: open_probe, cylinder: 3', 'fault: open_probe, cylinder: 3, from: 23 s']) {
      const result = await judgePlayed('first-start', makeVehicle(), { stages: usualStart, faults: [fault] });
      expect(badOf(result)).toEqual([]);
      expect(result.verdicts.some(({ cylinder }) => cylinder === 3)).toBe(false);
      expect(result.notJudged?.some(({ what }) => what.startsWith('whether cylinder 3 is lit'))).toBe(true);
    }
  });
});
