// The engine's history through its worker: sessions of a data folder behind each other, what is written in the log book, and what is kept beside them.
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { type EngineHistoryView, engineHistoryView } from '../../server/contract/engine-history.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { EngineHistoryDesk } from '../../server/recording/engine-history-desk.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-history-'));
const desk = new EngineHistoryDesk(data);
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
  app = await buildApp({ station, version: 'test', logBook: new LogBook(data), engineHistory: desk });
});
afterAll(async () => {
  await app.close();
  await desk.close();
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
