// What a recording tells of the engine's history, from the simulated engine and from channels made by hand.
import { describe, expect, it } from 'vitest';
import { collectSeries } from '../../server/collect-series.ts';
import { digestRun } from '../../server/engine-history/runs.ts';
import { digestSession } from '../../server/engine-history/session-digest.ts';
import { type MadeChannel, makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const digestOf = async (stages: string[], more = '', vehicle = makeVehicle({ plenum: true })) => {
  const list = stages.map((stage) => `  - { ${stage} }\n`).join('');
  const text = `scenario: t\nseed: 3\nstart: cold\n${more}stages:\n${list}`;
  return digestSession(await collectSeries([runScenario(text, vehicle).batch], vehicle), vehicle);
};

describe('a first start', () => {
  const stages = [
    'stage: key_on, for: 20 s',
    'stage: oil_crank, for: 6 s',
    'stage: stop, for: 3 s',
    'stage: start, for: 6 s',
    'stage: idle, for: 40 s',
  ];

  it('is one start in numbers, the oil step left out, every cylinder with the time at which it lit', async () => {
    const { starts, runs, probes } = await digestOf(stages, 'engine: { fires_after: 1.5 s }\n');
    expect(starts).toHaveLength(1);
    const [start] = starts;
    expect(start?.ran).toBe(true);
    // The starter begins at 29 s; the engine fires after 1.5 s and is sure to run a little later.
    expect(start?.atS).toBeCloseTo(29, 0);
    expect(start?.crankedS).toBeGreaterThan(1.3);
    expect(start?.crankedS).toBeLessThan(3);
    expect(start?.crankingV).toBeGreaterThan(9.5);
    expect(start?.crankingV).toBeLessThan(11.5);
    expect(start?.lit.map(({ cylinder }) => cylinder).sort()).toEqual([1, 2, 3, 4]);
    expect(start?.lit.every(({ afterS }) => afterS !== null && afterS < 4)).toBe(true);
    expect(runs).toHaveLength(1);
    expect(runs[0]?.warmUp.map(({ s }) => s)).toEqual([30]);
    expect(probes.map(({ probe }) => probe)).toEqual(['T-1', 'T-2', 'T-3', 'T-4']);
  });

  it('with a dead cylinder has no time for that one', async () => {
    const { starts } = await digestOf(stages, 'faults:\n  - { fault: dead_injector, cylinder: 2, set: port }\n', makeVehicle());
    expect(starts[0]?.lit.at(-1)).toEqual({ cylinder: 2, afterS: null });
  });

  it('from cold sees the probes beside each other, and the rail leak down behind its prime', async () => {
    const { soak, leaks, restC } = await digestOf(stages);
    expect(soak?.probes).toHaveLength(4);
    expect(soak?.probes.every(({ offK }) => Math.abs(offK) < 4)).toBe(true);
    expect(leaks.map(({ set }) => set)).toEqual(['port', 'plenum']);
    expect(leaks[0]?.fromKpa).toBeGreaterThan(250);
    expect(leaks[0]?.marks[0]?.s).toBe(5);
    expect(restC).not.toBeNull();
  });

  it('of an engine that never turned is none', async () => {
    const digest = await digestOf(['stage: key_on, for: 5 s']);
    expect([digest.starts, digest.runs, digest.lags]).toEqual([[], [], []]);
  });
});

describe('warming up', () => {
  const vehicle = makeVehicle({ cylinders: 2 });
  const exhaust: MadeChannel = { unit: 'degC', hz: 5, at: (s) => 20 + 400 * (1 - Math.exp(-s / 30)) };
  const judge = (coolant: MadeChannel, seconds = 300) => {
    const series = makeSeries(seconds, { egt_1: exhaust, egt_2: exhaust, coolant_temp: { hz: 2, ...coolant } });
    return digestRun(series, vehicle, 2_000_000, seconds * 1e6);
  };

  it('coolant that stays where it was for three minutes while the exhaust is up is a dry sensor', () => {
    const run = judge({ unit: 'degC', at: () => 20 });
    expect(run.verdicts.map(({ code, ok }) => [code, ok])).toEqual([['coolant-flat', false]]);
    expect(run.verdicts[0]?.at).toBe(182);
  });

  it('coolant that rises is right, in any unit of temperature', () => {
    // 6 K/min is 10.8 °F/min.
    const run = judge({ unit: 'degF', at: (s) => 68 + 0.18 * s });
    expect(run.verdicts.map(({ code, ok }) => [code, ok])).toEqual([['coolant-flat', true]]);
    expect(run.coolantKPerMin).toBeCloseTo(6, 6);
    expect(run.warmUp.map(({ s }) => s)).toEqual([30, 60, 120, 180]);
  });

  it('on a warm engine, or too short a run, is not judged', () => {
    expect(judge({ unit: 'degC', at: () => 80 }).verdicts).toEqual([]);
    expect(judge({ unit: 'degC', at: () => 20 }, 120).verdicts).toEqual([]);
  });

  it('above the thermostat a rate that does not fall is told, one that falls is not', () => {
    const climbs = judge({ unit: 'degC', at: (s) => 70 + s / 12 });
    expect(climbs.verdicts.find(({ code }) => code === 'coolant-climbing')?.ok).toBe(false);
    const settles = judge({ unit: 'degC', at: (s) => 88 - 68 * Math.exp(-s / 60) });
    expect(settles.verdicts.find(({ code }) => code === 'coolant-climbing')?.ok).toBe(true);
  });

  it('a sensor that drops out leaves no peak and no verdict', () => {
    const run = judge({ unit: 'degC', at: () => undefined });
    expect([run.coolantPeakC, run.startC, run.verdicts.length]).toEqual([null, null, 0]);
  });
});
