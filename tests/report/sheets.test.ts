// Sheets on paper: what stands on them, that blanks and limits are those of the vehicle, and that words of people stay words.
import { describe, expect, it } from 'vitest';
import type { CheckRun } from '../../server/contract/checks.ts';
import type { EngineHistoryView } from '../../server/contract/engine-history.ts';
import { toCheckHistory, toCheckRunPage } from '../../server/report/check-sheets.ts';
import { toHeatCycleLog, toTimingSheet } from '../../server/report/history-sheets.ts';
import { toStartCard } from '../../server/report/start-card.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const madeMs = Date.UTC(2026, 4, 17, 12);
const hostile = '<script>alert(1)</script>';
const textOf = (page: string) =>
  page
    .replace(/<style>.*?<\/style>/s, '')
    .replace(/<[^>]*>/g, ' ')
    .replace(/\s+/g, ' ');

const history: EngineHistoryView = {
  vehicle: 'Made',
  sessions: 2,
  unread: [],
  notJudged: [],
  timing: {
    readings: [{ entry: 4, by: 'Ada', wallMs: madeMs, note: hostile, speedRpm: 1500, lightDeg: 11, commandedDeg: 15, errorDeg: -4 }],
    offsetDeg: { value: -4, low: -5, high: -3 },
    delayUs: null,
    verdicts: [{ code: 'timing-offset', ok: false, say: 'timing is 4.0° late at every speed (± 1.0°)', next: 'Move the trigger offset' }],
    notJudged: [{ what: 'offset and delay apart', line: 'nothing: read it below 1800 rpm and above 3000 rpm, both' }],
    loadAllowed: false,
  },
  cycles: [
    {
      number: 1,
      session: 3,
      fromS: 60,
      startedWallMs: madeMs,
      endedWallMs: madeMs + 900_000,
      runs: 2,
      runningS: 840,
      startC: 14,
      coolantPeakC: 84,
      oilPeakC: null,
      exhaustPeaks: [{ cylinder: 1, peakC: 512 }],
      cold: null,
      probeHours: [{ probe: 'T-1', cylinder: 1, hours: 0.2333 }],
      sheet: {
        kind: 'heat-cycle-sheet',
        by: 'Ada',
        note: 'head 5 Nm more',
        session: 3,
        fromS: 60,
        retorqued: true,
        lashSet: false,
        filterCut: true,
        plugsRead: false,
        oilLook: 'milky',
        entry: 9,
        vehicle: 'Made',
        wallMs: madeMs,
      },
    },
  ],
  cycleLimits: { warmC: 70, coldC: 40 },
  probeHours: [{ probe: 'T-1', cylinder: 1, hours: 0.2333 }],
  drift: null,
  runs: [],
  starts: [],
  comparison: null,
  leaks: [
    { session: 3, startedWallMs: madeMs, set: 'port', channel: 'fuel_delta_port', atS: 8, fromKpa: 301, marks: [{ s: 60, kpa: 250 }] },
  ],
  leakNow: [
    { set: 'port', s: null, fellKpa: 51, lastFellKpa: null, isFaster: false, say: 'port fell by 51 kPa in 60 s; there is no earlier one' },
  ],
  lags: [],
};

describe('the start card', () => {
  it('holds the limits that are in force for this vehicle, scaled to its battery', () => {
    const vehicle = makeVehicle({
      electrical: '{ nominal: 16 V, charging: true }',
      more: 'checks: { first-start: { oil_running: 85 kPa } }',
    });
    const text = textOf(toStartCard(vehicle, madeMs));
    expect(text).toContain('less than 85 kPa after 3 s');
    // 300 ± max(10 %, 25 kPa); 9.6 V and 13.2 to 15.2 V of 12 are 12.8, 17.6 and 20.3 of 16.
    expect(text).toContain('outside 270 to 330 kPa for 500 ms');
    expect(text).toContain('below 12.8 V');
    expect(text).toContain('17.6 to 20.3 V');
    expect(text).toContain('can not shut the engine down');
  });

  it('warns of an unseen flame with methanol alone', () => {
    expect(toStartCard(makeVehicle({ fuel: 'methanol' }), madeMs)).toContain('not seen in daylight');
    expect(toStartCard(makeVehicle(), madeMs)).not.toContain('not seen in daylight');
  });

  it('names the line that would let the rest be judged', () => {
    const vehicle = makeVehicle({ electrical: '{ charging: false }' });
    const text = textOf(toStartCard(vehicle, madeMs));
    expect(text).toContain('Not judged: the battery. It would be with: electrical: { nominal: 12 V }');
    expect(text).not.toContain('Charging');
  });
});

describe('the timing sheet', () => {
  it('holds readings, their error, the verdict, leak-down beside last time, and a row a cylinder for torque and lash', () => {
    const page = toTimingSheet(history, makeVehicle({ cylinders: 5 }), madeMs);
    const text = textOf(page);
    expect(text).toContain('1500 15.0 11.0 −4.0');
    expect(text).toContain('No load before this check is done and right.');
    expect(text).toContain('port fell by 51 kPa in 60 s; there is no earlier one');
    expect([...page.matchAll(/<tr><th scope="row">(\d+)<\/th>/g)].map(([, cylinder]) => cylinder)).toEqual(['1', '2', '3', '4', '5']);
    expect(page).not.toContain(hostile);
  });
});

describe('the log of heat cycles', () => {
  it('holds each cycle, its sheet and the hours on each probe', () => {
    const text = textOf(toHeatCycleLog(history, makeVehicle(), madeMs));
    expect(text).toContain('1 heat cycles, 0.2 h of running');
    expect(text).toContain('[x] re-torqued');
    expect(text).toContain('[ ] lash set');
    expect(text).toContain('oil: milky');
    expect(text).toContain('head 5 Nm more (Ada');
    expect(text).toContain('T-1 1 0.23');
  });

  it('of an engine that never ran says so', () => {
    const text = textOf(toHeatCycleLog({ ...history, cycles: [], probeHours: [] }, makeVehicle(), madeMs));
    expect(text).toContain('The engine never ran in what is recorded.');
  });
});

const run: CheckRun = {
  run: 7,
  check: 'key-on',
  startedWallMs: madeMs,
  seconds: 41,
  vehicle: 'Made',
  definitionHash: 'a1b2c3d4e5f6',
  session: 3,
  ok: false,
  wrong: 1,
  right: 1,
  notJudged: 1,
  title: 'Key-on',
  by: 'Ada',
  skipped: 1,
  unseenFrames: 0,
  comparedWith: 5,
  changes: ['oil_pressure: was right, is wrong'],
  procedure: {
    name: 'key-on',
    title: 'Key-on',
    about: '',
    safety: [],
    steps: [
      { name: 'zeros', title: 'Pump disabled', say: '', kind: 'watch', codes: [], blocking: false },
      { name: 'leak', title: 'Leak hold', say: '', kind: 'confirm', codes: [], blocking: false },
    ],
  },
  steps: { zeros: { state: 'done', by: 'Ada', toS: 12 }, leak: { state: 'skipped', reason: hostile, by: 'Bo', toS: 30 } },
  result: {
    check: 'key-on',
    frames: 900,
    seconds: 41,
    notJudged: [{ what: 'the battery', line: 'electrical: { nominal: 12 V }' }],
    verdicts: [
      {
        code: 'zero-offset',
        ok: false,
        channel: 'oil_pressure',
        at: 2,
        measured: 41.5,
        limit: 10,
        say: 'oil_pressure reads 41.5 kPa where nothing presses',
        samples: { channel: 'oil_pressure', unit: 'kPa', at: [1, 2, 3, 4], value: [41, 42, null, 41] },
      } as CheckRun['result']['verdicts'][number],
      { code: 'throttle-range', ok: true, say: 'throttle goes smoothly from 0.1 to 99.8 %' },
    ],
  },
};

describe('the report of a check', () => {
  it('holds every verdict with its evidence, every step with who did it, and why one was skipped', () => {
    const page = toCheckRunPage(run, madeMs);
    const text = textOf(page);
    expect(text).toContain('1 wrong, 1 right, 1 not judged');
    expect(text).toContain('Measured 41.5');
    expect(text).toContain('Limit 10');
    expect(text).toContain('throttle goes smoothly');
    expect(text).toContain('Leak hold SKIPPED: &lt;script&gt;');
    expect(text).toContain('Not judged: the battery');
    expect(text).toContain('oil_pressure: was right, is wrong');
    expect(page).toContain('oil_pressure, from 1.00 to 4.00 s');
    expect(page).not.toContain(hostile);
  });

  it('of a run kept before there were steps has none', () => {
    expect(toCheckRunPage({ ...run, procedure: null, steps: {} }, madeMs)).not.toContain('<h2>Steps</h2>');
  });
});

describe('the history of checks', () => {
  it('lists the runs of each check by itself', () => {
    const runs = [run, { ...run, run: 6, check: 'bus', title: '', wrong: 0 }, { ...run, run: 5, wrong: 0 }];
    const page = toCheckHistory('Made', runs, madeMs);
    expect([...page.matchAll(/<h2>(.*?)<\/h2>/g)].map(([, title]) => title)).toEqual(['Key-on', 'Bus check']);
    expect(textOf(toCheckHistory('Made', [], madeMs))).toContain('No check was kept yet.');
  });
});

it.each([
  ['start card', toStartCard(makeVehicle({ cylinders: 16 }), madeMs)],
  ['timing', toTimingSheet(history, makeVehicle(), madeMs)],
  ['heat cycles', toHeatCycleLog(history, makeVehicle(), madeMs)],
  ['run', toCheckRunPage(run, madeMs)],
  ['history', toCheckHistory('Made', [run], madeMs)],
])('%s asks nobody for anything', (_, page) => {
  const addresses = [...page.matchAll(/(?:src|href|url)\s*[=(]\s*["']?([^"')\s>]+)/g)].map(([, address]) => address as string);
  expect(addresses.filter((address) => !address.startsWith('#'))).toEqual([]);
  expect(page).not.toContain('<script');
});
