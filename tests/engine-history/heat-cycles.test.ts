// Heat cycles, probe hours, drift and starts over sessions made by hand: what counts, what is numbered, and what says nothing yet.
import { describe, expect, it } from 'vitest';
import { compareLastStart, listStarts } from '../../server/engine-history/compare-starts.ts';
import { findHeatCycles, type PlacedDigest, totalProbeHours } from '../../server/engine-history/heat-cycles.ts';
import { compareLeakDown, type LeakDown } from '../../server/engine-history/leak-down.ts';
import { listNotJudged } from '../../server/engine-history/not-judged.ts';
import { judgeProbeDrift } from '../../server/engine-history/probe-drift.ts';
import type { RunDigest } from '../../server/engine-history/runs.ts';
import type { SessionDigest } from '../../server/engine-history/session-digest.ts';
import type { StartDigest } from '../../server/engine-history/starts.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const hourMs = 3_600_000;
const run = (fromS: number, toS: number, startC: number | null, peakC: number | null): RunDigest => ({
  fromS,
  toS,
  startC,
  coolantPeakC: peakC,
  oilPeakC: null,
  endC: peakC,
  exhaustPeaks: [{ cylinder: 1, peakC: (peakC ?? 0) * 8 }],
  warmUp: [],
  coolantKPerMin: null,
  oilKPerMin: null,
  verdicts: [],
});
const start = (more: Partial<StartDigest> = {}): StartDigest => ({
  atS: 10,
  crankedS: 1,
  ran: true,
  startC: 15,
  crankingV: 10.4,
  oilAfterS: 0.5,
  lit: [
    { cylinder: 1, afterS: 1 },
    { cylinder: 2, afterS: 1.2 },
  ],
  ...more,
});
const digest = (more: Partial<SessionDigest> = {}): SessionDigest => ({
  probes: [
    { cylinder: 1, channel: 'egt_1', probe: 'T-1' },
    { cylinder: 2, channel: 'egt_2', probe: null },
  ],
  starts: [],
  runs: [],
  soak: null,
  leaks: [],
  lags: [],
  restC: null,
  ...more,
});
const placed = (session: number, atHours: number, more: Partial<SessionDigest>): PlacedDigest => ({
  session,
  startedWallMs: atHours * hourMs,
  seconds: 1000,
  digest: digest(more),
});
const vehicle = makeVehicle({ cylinders: 2 });

describe('heat cycles', () => {
  it('are up to temperature and cold again: two runs without cooling are one, the next cold morning is another', () => {
    const cycles = findHeatCycles(
      [placed(1, 0, { runs: [run(100, 700, 15, 82), run(900, 1500, 74, 85)] }), placed(2, 24, { restC: 16, runs: [run(60, 660, 16, 80)] })],
      vehicle,
    );
    expect(cycles.map(({ number, session, runs, runningS, coolantPeakC }) => ({ number, session, runs, runningS, coolantPeakC }))).toEqual([
      { number: 1, session: 1, runs: 2, runningS: 1200, coolantPeakC: 85 },
      { number: 2, session: 2, runs: 1, runningS: 600, coolantPeakC: 80 },
    ]);
    expect(cycles.map(({ cold }) => cold)).toEqual([{ wallMs: 24 * hourMs, degC: 16 }, null]);
    expect(cycles[0]?.exhaustPeaks).toEqual([{ cylinder: 1, peakC: 680 }]);
  });

  it('that never came up to temperature have no number, and take none', () => {
    const cycles = findHeatCycles(
      [placed(1, 0, { runs: [run(10, 40, 15, 30)] }), placed(2, 24, { runs: [run(10, 700, 15, 80)] })],
      vehicle,
    );
    expect(cycles.map(({ number }) => number)).toEqual([null, 1]);
  });

  it('over two sessions of one evening are one', () => {
    const cycles = findHeatCycles(
      [placed(1, 0, { runs: [run(10, 600, 15, 80)] }), placed(2, 0.4, { restC: 71, runs: [run(10, 600, 70, 88)] })],
      vehicle,
    );
    expect(cycles.map(({ number, runs }) => [number, runs])).toEqual([[1, 2]]);
  });

  it('are closed by a session that began cold although it never fired', () => {
    const [cycle] = findHeatCycles([placed(1, 0, { runs: [run(10, 600, 15, 80)] }), placed(2, 12, { restC: 18 })], vehicle);
    expect(cycle?.cold).toEqual({ wallMs: 12 * hourMs, degC: 18 });
  });

  it('without any temperature go by the hours between, and none is numbered', () => {
    const cycles = findHeatCycles(
      [
        placed(1, 0, { runs: [run(0, 600, null, null)] }),
        placed(2, 3, { runs: [run(0, 600, null, null)] }),
        placed(3, 12, { runs: [run(0, 600, null, null)] }),
      ],
      vehicle,
    );
    expect(cycles.map(({ number, runs }) => [number, runs])).toEqual([
      [null, 2],
      [null, 1],
    ]);
  });

  it('take their limits from the vehicle file', () => {
    const strict = makeVehicle({ cylinders: 2, more: 'checks: { heat-cycles: { warm: 90 degC } }' });
    expect(findHeatCycles([placed(1, 0, { runs: [run(10, 600, 15, 85)] })], strict).map(({ number }) => number)).toEqual([null]);
  });

  it('count the hours of each probe by its own name, by its cylinder where it has none', () => {
    const sessions = [
      placed(1, 0, { runs: [run(0, 1800, 15, 80)] }),
      placed(2, 24, {
        runs: [run(0, 3600, 15, 80)],
        probes: [
          { cylinder: 1, channel: 'egt_1', probe: 'T-9' },
          { cylinder: 2, channel: 'egt_2', probe: 'T-1' },
        ],
      }),
    ];
    expect(totalProbeHours(sessions)).toEqual([
      { probe: 'T-1', cylinder: 2, hours: 1.5 },
      { probe: 'T-9', cylinder: 1, hours: 1 },
      { probe: 'cylinder 2', cylinder: 2, hours: 0.5 },
    ]);
    const cycles = findHeatCycles(sessions, vehicle);
    expect(cycles[0]?.probeHours.map(({ probe, hours }) => [probe, hours])).toEqual([
      ['T-1', 0.5],
      ['cylinder 2', 0.5],
    ]);
    expect(cycles[1]?.probeHours.map(({ probe, hours }) => [probe, hours])).toEqual([
      ['T-9', 1],
      ['T-1', 1.5],
    ]);
  });
});

describe('probes after cooling down', () => {
  const soak = (first: number, second: number, name: string | null = 'T-1'): Partial<SessionDigest> => ({
    soak: {
      probes: [
        { cylinder: 1, channel: 'egt_1', probe: name, offK: first },
        { cylinder: 2, channel: 'egt_2', probe: null, offK: second },
      ],
    },
  });

  it('are compared with the last cold soak: 4.5 K away from where it stood is drift', () => {
    const drift = judgeProbeDrift([placed(1, 0, soak(0.5, -0.5)), placed(2, 9, {}), placed(3, 24, soak(5, 0.5))]);
    expect(drift?.lastSession).toBe(1);
    expect(drift?.verdicts.map(({ ok, cylinder, measured }) => ({ ok, cylinder, measured }))).toEqual([
      { ok: false, cylinder: 1, measured: 4.5 },
      { ok: true, cylinder: 2, measured: 1 },
    ]);
  });

  it('of another name are not compared, and a first soak says nothing of drift', () => {
    expect(judgeProbeDrift([placed(1, 0, soak(0, 0)), placed(2, 24, soak(9, 0, 'T-8'))])?.probes[0]?.driftK).toBeNull();
    expect(judgeProbeDrift([placed(1, 0, soak(0, 0))])?.verdicts).toEqual([]);
    expect(judgeProbeDrift([placed(1, 0, {})])).toBeUndefined();
  });
});

describe('a start beside earlier ones', () => {
  const starts = (...list: StartDigest[]) => listStarts(list.map((one, i) => placed(i + 1, 24 * i, { starts: [one] })));

  it('says nothing before there are three like it, and says so', () => {
    const comparison = compareLastStart(starts(start(), start(), start({ crankedS: 6 })));
    expect(comparison?.measures).toEqual([]);
    expect(comparison?.say).toBe(
      '2 earlier starts were like this one (within 15 K of 15 °C): 3 are needed before a difference means anything',
    );
  });

  it('counts only starts as warm as it', () => {
    const hot = start({ startC: 80 });
    const comparison = compareLastStart(starts(start(), start(), start(), hot));
    expect(comparison?.like).toEqual([]);
    expect(comparison?.say).toContain('No earlier start was like this one');
  });

  it('beside three like ones tells what lies outside where 99 of 100 would', () => {
    // 1.0, 1.2, 1.1 s: mean 1.1, s 0.1; t(0.995, 2) is 9.925: 1.1 ± 9.925 × 0.1 × √(4/3) is -0.05 to 2.25.
    const comparison = compareLastStart(
      starts(start({ crankedS: 1 }), start({ crankedS: 1.2 }), start({ crankedS: 1.1 }), start({ crankedS: 2.4 })),
    );
    const fire = comparison?.measures[0];
    expect(fire).toMatchObject({ what: 'time to fire', starts: 3, verdict: 'more' });
    expect(fire?.high).toBeCloseTo(2.246, 3);
    expect(comparison?.measures.filter(({ verdict }) => verdict !== 'as usual')).toHaveLength(1);
    expect(comparison?.say).toBe('Time to fire 2.4 s, more than the usual 1.1 s');
    expect(
      compareLastStart(starts(start({ crankedS: 1 }), start({ crankedS: 1.2 }), start({ crankedS: 1.1 }), start({ crankedS: 2.2 })))?.say,
    ).toBe('As usual, beside 3 like starts');
  });

  it('that did not run is none, and a cylinder that never lit is not compared', () => {
    const dead = start({ lit: [{ cylinder: 2, afterS: null }] });
    const comparison = compareLastStart(starts(start(), start({ ran: false }), start(), start(), dead));
    expect(comparison?.like).toHaveLength(3);
    expect(comparison?.measures.map(({ what }) => what)).toEqual(['time to fire', 'battery while cranking', 'time to oil pressure']);
    expect(compareLastStart(starts(start({ ran: false })))).toBeUndefined();
  });
});

describe('leak-down', () => {
  const leak = (...kpas: number[]): LeakDown => ({
    set: 'port',
    channel: 'fuel_delta_port',
    atS: 8,
    fromKpa: 300,
    marks: kpas.map((kpa, i) => ({ s: [5, 10, 30, 60][i] as number, kpa })),
  });

  it('is never judged alone', () => {
    expect(compareLeakDown(leak(200, 0), undefined)).toMatchObject({ s: null, isFaster: false, lastFellKpa: null });
  });

  it('is compared at the last mark that both have', () => {
    expect(compareLeakDown(leak(290, 280, 250, 200), leak(295, 290, 285))).toMatchObject({
      s: 30,
      fellKpa: 50,
      lastFellKpa: 15,
      isFaster: true,
    });
    expect(compareLeakDown(leak(290, 280), leak(292, 285))).toMatchObject({ s: 10, fellKpa: 20, lastFellKpa: 15, isFaster: false });
  });
});

describe('what the vehicle file leaves out', () => {
  it('is named with its line, by topic; a full file leaves nothing', () => {
    expect(listNotJudged(makeVehicle())).toEqual([]);
    const bare = makeVehicle();
    if (bare.engine) bare.engine = { ...bare.engine, roles: {}, exhaustTemps: [] };
    bare.injectorSets = [];
    const lines = listNotJudged(bare).map(({ topic, line }) => `${topic}: ${line}`);
    expect(lines).toContain('starts: engine: { speed: <channel of engine speed> }');
    expect(lines).toContain('heat-cycles: engine: { coolant_temp: <channel> }');
    expect(lines).toContain('probes: engine: { cut: <channel that says when fuel is cut> }');
    expect(lines.some((line) => line.startsWith('leak-down: injector_sets:'))).toBe(true);
  });

  it('tells of a limit that is not understood, and the usual one holds', () => {
    const vehicle = makeVehicle({ more: 'checks: { heat-cycles: { warm: 3 kPa } }' });
    expect(listNotJudged(vehicle).map(({ topic, what }) => [topic, what])).toEqual([
      ['heat-cycles', "checks: heat-cycles: 'warm' is not understood; the usual limit is used"],
    ]);
    expect(findHeatCycles([placed(1, 0, { runs: [run(10, 600, 15, 75)] })], vehicle).map(({ number }) => number)).toEqual([1]);
  });
});
