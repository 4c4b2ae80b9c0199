// The engine's history through its worker: sessions of a data folder behind each other, what is written in the log book, and what is kept beside them.
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { type EngineHistoryView, engineHistoryView } from '../../server/contract/engine-history.ts';
import { figureView } from '../../server/contract/why.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { explainHistoryFigure } from '../../server/live/history-figures.ts';
import { EngineHistoryDesk } from '../../server/recording/engine-history-desk.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { Sessions } from '../../server/recording/sessions.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-history-'));
const desk = new EngineHistoryDesk(data);
/** They are looked at only. */
const sessionStore = new Sessions(data, { call: () => Promise.reject(new Error('nothing is recorded here')) });
let vehicle: Vehicle;
let app: App;

/** A start from cold that comes up to temperature: the simulated engine warms forty times as fast as a real one. */
const warmUp = (seed: number) => `scenario: warm
seed: ${seed}
start: cold
engine: { warming: 40, fires_after: 1 s }
stages:
  - { stage: key_on, for: 14 s }
  - { stage: oil_crank, for: 5 s }
  - { stage: stop, for: 2 s }
  - { stage: start, for: 5 s }
  - { stage: warm_up, for: 70 s, speed: 2500 rpm }
  - { stage: stop, for: 2 s }
`;
const sessions = 5;

beforeAll(async () => {
  vehicle = await getVehicle('bus-definitions/garganey');
  for (let seed = 1; seed <= sessions; seed++) {
    const { batch } = runScenario(warmUp(seed), vehicle);
    await importFrames(data, vehicle, { frames: [batch], origin: `evening-${seed}.log`, remarks: () => [] }, seed * 86_400_000);
  }
  const station = { vehicle, wallMs: () => 1_700_000_000_000, status: () => ({ recording: { session: null } }) } as unknown as AskedStation;
  app = await buildApp({ station, version: 'test', logBook: new LogBook(data), engineHistory: desk, sessions: sessionStore });
});
afterAll(async () => {
  await app.close();
  await desk.close();
  await sessionStore.close();
  rmSync(data, { recursive: true, force: true });
});

const headers = { host: 'localhost:8414' };
const ask = async (): Promise<EngineHistoryView> => {
  const answer = await app.inject({ method: 'GET', url: '/api/engine-history', headers });
  expect(answer.statusCode).toBe(200);
  return engineHistoryView.parse(answer.json());
};
const write = async (payload: object) => {
  const answer = await app.inject({ method: 'POST', url: '/api/log-book', headers, payload });
  expect(answer.statusCode).toBe(200);
  return answer.json() as { entry: number };
};

/** Addresses of all figures that the pages show, each with its number. */
function figuresOf(view: EngineHistoryView): Map<string, number | null> {
  const figures = new Map<string, number | null>();
  const add = (value: number | null, ...key: (string | number)[]) =>
    figures.set(['history', ...key].map((part) => encodeURIComponent(part)).join('/'), value);
  for (const { session, atS, startC, crankedS, crankingV, oilAfterS, lit } of view.starts) {
    for (const [what, value] of Object.entries({ startC, crankedS, crankingV, oilAfterS })) add(value, 'start', session, atS, what);
    for (const { cylinder, afterS } of lit) add(afterS, 'start', session, atS, 'lit', cylinder);
  }
  for (const [i, { now }] of (view.comparison?.measures ?? []).entries()) add(now, 'compared', i);
  for (const { session, fromS, coolantPeakC, oilPeakC, coolantKPerMin, oilKPerMin, warmUp: points } of view.runs) {
    for (const [what, value] of Object.entries({ coolantPeakC, oilPeakC, coolantKPerMin, oilKPerMin }))
      add(value, 'run', session, fromS, what);
    for (const { s, ...temps } of points) for (const [what, value] of Object.entries(temps)) add(value, 'run', session, fromS, what, s);
  }
  for (const { session, fromS, startC, coolantPeakC, oilPeakC, exhaustPeaks, probeHours } of view.cycles) {
    for (const [what, value] of Object.entries({ startC, coolantPeakC, oilPeakC })) add(value, 'cycle', session, fromS, what);
    for (const { cylinder, peakC } of exhaustPeaks) add(peakC, 'cycle', session, fromS, 'peak', cylinder);
    for (const { probe, hours } of probeHours) add(hours, 'hours', probe, session, fromS);
  }
  for (const { probe, hours } of view.probeHours) add(hours, 'hours', probe);
  for (const { channel, offK, lastOffK, driftK } of view.drift?.probes ?? []) {
    add(offK, 'drift', channel, 'off');
    if (lastOffK !== null) add(lastOffK, 'drift', channel, 'last');
    if (driftK !== null) add(driftK, 'drift', channel, 'moved');
  }
  for (const { session, set, fromKpa, marks } of view.leaks) {
    add(fromKpa, 'leak', session, set, 'from');
    for (const { s, kpa } of marks) add(kpa, 'leak', session, set, s);
  }
  for (const { session, cylinder, tauS } of view.lags) add(tauS, 'lag', session, cylinder);
  return figures;
}

it('tells of each of its figures why it is what it is, down to channels of the session', async () => {
  const history = await ask();
  const startUsOf = async (session: number) => (await sessionStore.detail({ session, reading: undefined })).fromUs;
  const figure = (of: string) => explainHistoryFigure({ history, vehicle, startUsOf }, of.split('/').slice(1).map(decodeURIComponent));
  const all = figuresOf(history);
  expect([...new Set([...all.keys()].map((of) => of.split('/')[1]))].sort()).toEqual([
    'compared',
    'cycle',
    'drift',
    'hours',
    'leak',
    'run',
    'start',
  ]);
  const asked = new Set<string>();
  for (const [of, value] of all) {
    const told = await figure(of);
    if (!told) throw new Error(`nothing is told of ${of}`);
    figureView.parse(told);
    if (value === null) expect([of, told.value]).toEqual([of, null]);
    else expect(Math.abs((told.value ?? Number.NaN) - value)).toBeLessThanOrEqual(0.0501);
    expect([of, told.rule !== '', told.source !== '', told.stretches.length > 0, told.channels.length + told.figures.length > 0]).toEqual([
      of,
      true,
      true,
      true,
      true,
    ]);
    const [channel] = told.channels;
    if (!channel) continue;
    // Of each kind once: its channel has a chain as of then.
    const kind = of.replace(/\/[\d.]+/g, '');
    if (asked.has(kind)) continue;
    asked.add(kind);
    const chain = await sessionStore.why({ session: channel.session ?? 0, reading: undefined }, channel.channel, Math.round(channel.atUs));
    expect([of, chain.nodes[0]?.channel]).toEqual([of, channel.channel]);
  }
  for (const of of ['start/1/99/startC', 'toString', 'cycle/1/0/constructor', '', 'hours/T-99'])
    expect([of, await figure(`history/${of}`)]).toEqual([of, undefined]);
});

it('tells of a figure by its address, and refuses what is none with its code', async () => {
  const [of = ''] = figuresOf(await ask()).keys();
  const get = async (address: string) =>
    (await app.inject({ method: 'GET', url: `/api/figures?of=${encodeURIComponent(address)}`, headers })).json();
  expect(figureView.parse(await get(of)).title).toContain('of session');
  for (const wrong of ['history/%', 'history/start/1/99/startC', 'check/1/0/x', 'nothing'])
    expect(await get(wrong)).toMatchObject({ error: 'FIGURE_UNKNOWN' });
});

describe('the history of an engine', () => {
  it('has its starts, the last beside three or more like ones, heat cycles with hours on each probe, drift and leak-down', async () => {
    const view = await ask();
    expect(view.sessions).toBe(sessions);
    expect(view.starts).toHaveLength(sessions);
    expect(view.starts.every(({ ran, lit }) => ran && lit.length === 6)).toBe(true);
    expect(view.comparison?.like).toHaveLength(sessions - 1);
    expect(view.comparison?.measures.map(({ what }) => what)).toContain('time to fire');
    expect(view.cycles).toHaveLength(sessions);
    expect(view.cycles.map(({ number }) => number)).toEqual([1, 2, 3, 4, 5]);
    expect(view.probeHours).toHaveLength(6);
    // Five runs of 74 s or a little more.
    for (const { hours } of view.probeHours) expect(hours).toBeCloseTo((5 * 74) / 3600, 2);
    expect(view.drift?.probes).toHaveLength(6);
    expect(view.drift?.lastSession).toBe(4);
    expect(view.leakNow.map(({ set, lastFellKpa }) => [set, lastFellKpa === null])).toEqual([
      ['port', false],
      ['plenum', false],
    ]);
    expect(view.runs[0]?.warmUp.map(({ s }) => s)).toEqual([30, 60]);
  });

  it('keeps what a session told, reads it again only when the session changed, and makes it anew when it is damaged', async () => {
    const kept = join(data, 'digests', '1.json');
    expect(existsSync(kept)).toBe(true);
    const told = JSON.parse(readFileSync(kept, 'utf8'));
    told.placed.digest.starts[0].crankedS = 9;
    writeFileSync(kept, JSON.stringify(told));
    expect((await ask()).starts.at(-1)?.crankedS).toBe(9);
    writeFileSync(kept, '{"key":');
    expect((await ask()).starts.at(-1)?.crankedS).toBeLessThan(3);
    expect(JSON.parse(readFileSync(kept, 'utf8')).placed.session).toBe(1);
  });

  it('takes readings of the timing light from the log book, without those taken back or before an adjustment', async () => {
    const by = 'Ada';
    await write({ kind: 'timing-reading', by, speedRpm: 1500, lightDeg: 4, commandedDeg: 15 });
    await write({ kind: 'timing-adjusted', by, what: 'trigger offset by 11°' });
    const slip = await write({ kind: 'timing-reading', by, speedRpm: 1500, lightDeg: 51, commandedDeg: 15 });
    await write({ kind: 'timing-undone', by, of: slip.entry });
    await write({ kind: 'timing-reading', by, speedRpm: 1500, lightDeg: 15, commandedDeg: 15 });
    expect((await ask()).timing).toMatchObject({ loadAllowed: false, readings: [{ lightDeg: 15, errorDeg: 0 }] });
    await write({ kind: 'timing-reading', by, speedRpm: 3500, lightDeg: 15, commandedDeg: 15 });
    expect((await ask()).timing).toMatchObject({ loadAllowed: true, delayUs: { value: 0 } });
  });

  it('has the newest sheet of each heat cycle', async () => {
    const [first, second] = (await ask()).cycles;
    const sheet = { kind: 'heat-cycle-sheet', by: 'Ada', session: second?.session, fromS: second?.fromS, retorqued: true };
    await write({ ...sheet, oilLook: 'milky' });
    await write({ ...sheet, oilLook: 'clear', note: 'looked again' });
    const view = await ask();
    expect(view.cycles[0]?.sheet).toBeNull();
    expect(view.cycles[1]?.sheet).toMatchObject({ retorqued: true, lashSet: false, oilLook: 'clear', note: 'looked again' });
    expect(first?.session).not.toBe(second?.session);
  });

  it('prints', async () => {
    for (const name of ['start-card', 'timing', 'heat-cycles']) {
      const answer = await app.inject({ method: 'GET', url: `/api/paper/${name}`, headers });
      expect([name, answer.statusCode, answer.headers['content-type']]).toEqual([name, 200, 'text/html; charset=utf-8']);
      expect(answer.headers['content-security-policy']).toContain("default-src 'none'");
      expect(answer.body).toContain('Garganey');
    }
  });

  it('of a session that can not be read says so, and tells the rest', async () => {
    writeFileSync(join(data, 'sessions', '9.sqlite'), 'not a session at all, nor ever was one');
    const view = await ask();
    expect(view.unread.map(({ session }) => session)).toEqual([9]);
    expect(view.sessions).toBe(sessions);
  });
});
