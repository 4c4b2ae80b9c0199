// Live checks over HTTP, with the real worker on the simulator's frames: a fault is found and named, kept and compared; who watches hears at once.
import { mkdtempSync, rmSync } from 'node:fs';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import type { CheckRun, CheckState, ChecksView, VerdictView, WatchView } from '../../server/contract/checks.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { openCheckDesk } from '../../server/live/check-desk.ts';
import type { LiveChecks } from '../../server/live/live-checks.ts';
import { CheckRuns } from '../../server/recording/check-runs.ts';
import { LogBook } from '../../server/recording/log-book.ts';
import { getScenario } from '../../server/simulator/scenario-library.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { untilSeen } from '../waiting.ts';

const headers = { host: 'localhost:8414' };
const data = mkdtempSync(join(tmpdir(), 'evenburn-checks-'));
let vehicle: Vehicle;
let simulation: Simulation;
let live: LiveChecks;
let app: App;
let nowUs = 0;

beforeAll(async () => {
  vehicle = await getVehicle('bus-definitions/garganey');
  simulation = new Simulation(vehicle, await getScenario('demo', vehicle));
  const status = () => ({ recording: { session: 7 } });
  const times = { timeUs: () => nowUs, wallMs: () => 1_700_000_000_000 + nowUs / 1000 };
  const station = { vehicle, simulation, status, ...times } as unknown as AskedStation & typeof times;
  const logBook = new LogBook(data);
  const checks = await openCheckDesk({ station, runs: new CheckRuns(data), logBook, data, startedWallMs: 1_700_000_000_000 });
  live = checks.live;
  app = await buildApp({ station, version: 'test', checks, logBook });
});
afterAll(async () => {
  await app.close();
  await live.close();
  rmSync(data, { recursive: true, force: true });
});

/** Lets the simulated buses run, as the station hands their frames on: in batches of 5 ms with marks between. */
function run(seconds: number): void {
  for (const endUs = nowUs + seconds * 1e6; nowUs < endUs; ) {
    nowUs += 5_000;
    const batch = new FrameBatch();
    simulation.advance(nowUs, batch);
    if (batch.count > 0) live.take({ kind: 'frames', batch });
    live.take({ kind: 'mark', timeUs: nowUs });
  }
}

async function ask<T>(method: 'GET' | 'POST' | 'DELETE', url: string, payload?: object): Promise<{ status: number; body: T }> {
  const answer = await app.inject({ method, url, headers, ...(payload ? { payload } : {}) });
  return { status: answer.statusCode, body: answer.json() as T };
}

const watch = async () => (await ask<WatchView>('GET', '/api/checks/watch')).body;

describe('a bus check on the live bus', () => {
  it('finds nothing wrong on a healthy bus, and is kept as a good run', async () => {
    const begun = await ask<CheckState>('POST', '/api/checks/running', { check: 'bus' });
    expect([begun.status, begun.body.check]).toEqual([200, 'bus']);
    run(5);
    const state = await untilSeen(
      async () => (await ask<CheckState>('GET', '/api/checks/running')).body,
      ({ result }) => (result?.seconds ?? 0) > 4,
    );
    expect(state.result?.verdicts.filter(({ ok }) => !ok)).toEqual([]);
    const { body } = await ask<CheckRun>('POST', '/api/checks/running/finish');
    expect([body.run, body.ok, body.session, body.definitionHash, body.comparedWith]).toEqual([1, true, 7, vehicle.hash, null]);
    expect(body.result.frames).toBeGreaterThan(1000);
    expect((await ask('GET', '/api/checks/running')).body).toBeNull();
  });

  it('is the same for a second browser, and only one runs at a time', async () => {
    await ask('POST', '/api/checks/running', { check: 'bus' });
    const again = await ask<{ error: string }>('POST', '/api/checks/running', { check: 'key-on' });
    expect([again.status, again.body.error]).toEqual([409, 'CHECK_RUNNING']);
    expect((await ask<ChecksView>('GET', '/api/checks')).body.running?.check).toBe('bus');
    expect((await ask('DELETE', '/api/checks/running')).status).toBe(200);
    expect((await ask<{ error: string }>('POST', '/api/checks/running/finish')).body.error).toBe('CHECK_NOT_RUNNING');
  });

  it('names a device that fell silent, and says that it was there in the last good run', async () => {
    await ask('POST', '/api/checks/running', { check: 'bus' });
    run(3);
    await ask('POST', '/api/simulator/faults', { fault: 'device_silent', device: 'pressure-node' });
    run(5);
    const { body } = await ask<CheckRun>('POST', '/api/checks/running/finish');
    await ask('DELETE', '/api/simulator/faults/0');
    const wrong = body.result.verdicts.filter(({ ok }) => !ok);
    expect(wrong.map(({ code, device }) => [code, device])).toContainEqual(['device-missing', 'pressure-node']);
    expect(body.comparedWith).toBe(1);
    expect(body.changes.some((text) => text.includes('pressure-node'))).toBe(true);
    run(2);
  });

  it('calls a bus on which nothing ever comes dead, though no frame tells the time', async () => {
    await ask('POST', '/api/checks/running', { check: 'bus' });
    for (let i = 0; i < 500; i++) {
      nowUs += 10_000;
      live.take({ kind: 'mark', timeUs: nowUs });
    }
    simulation.advance(nowUs, new FrameBatch());
    const { body } = await ask<CheckRun>('POST', '/api/checks/running/finish');
    const missing = body.result.verdicts.filter(({ code, ok }) => code === 'device-missing' && !ok).map(({ device }) => device);
    expect(missing.sort()).toEqual(vehicle.buses.flatMap((bus) => bus.devices.map(({ name }) => name)).sort());
  });

  it('counts frames that it did not see', async () => {
    await ask('POST', '/api/checks/running', { check: 'bus' });
    live.take({ kind: 'loss', timeUs: nowUs, bus: 0, place: 'adapter', count: 12 });
    // A late frame is not lost: it comes behind its time.
    live.take({ kind: 'loss', timeUs: nowUs, bus: 0, place: 'late', count: 400 });
    const { body } = await ask<CheckRun>('POST', '/api/checks/running/finish');
    expect(body.unseenFrames).toBe(12);
  });

  it('lists runs newest first and gives each of them; an unknown one is refused', async () => {
    const { runs } = (await ask<ChecksView>('GET', '/api/checks')).body;
    expect(runs.map(({ run: number }) => number)).toEqual([4, 3, 2, 1]);
    expect((await ask<CheckRun>('GET', '/api/checks/runs/2')).body.result.check).toBe('bus');
    expect((await ask<{ error: string }>('GET', '/api/checks/runs/99')).body.error).toBe('CHECK_RUN_UNKNOWN');
  });

  it.each(['key-on', 'probes'])('judges the %s check on what has come since it began', async (check) => {
    await ask('POST', '/api/checks/running', { check });
    run(2);
    const { body } = await ask<CheckRun>('POST', '/api/checks/running/finish');
    expect(body.result.check).toBe(check);
    expect(body.result.seconds).toBeCloseTo(2, 1);
  });
});

describe('the wiggle and unplug tests', () => {
  it('hear at once of a device that drops out, with the stretch and the branch that was moved', async () => {
    await app.listen({ host: '127.0.0.1', port: 0 });
    const port = (app.server.address() as AddressInfo).port;
    await ask('POST', '/api/checks/watch', {});
    await ask('POST', '/api/checks/watch/branch', { branch: 'left bank' });
    run(2);
    await untilSeen(watch, ({ absent }) => absent.length === 0);
    const stream = await fetch(`http://127.0.0.1:${port}/api/checks/watch/stream`);
    expect(stream.headers.get('content-type')).toBe('text/event-stream');
    expect(stream.headers.get('content-security-policy')).toContain("default-src 'none'");
    const reader = (stream.body as ReadableStream<Uint8Array>).getReader();
    await reader.read();
    await ask('POST', '/api/simulator/faults', { fault: 'device_silent', device: 'pressure-node' });
    run(1);
    const seen = await untilSeen(watch, ({ silent }) => silent.includes('pressure-node'));
    const gap = seen.events.find(({ kind, device }) => kind === 'gap' && device === 'pressure-node');
    expect(gap?.branch).toBe('left bank');
    expect(seen.events.some(({ stretch }) => stretch === 'thermocouple-box - pressure-node')).toBe(true);
    const told = new TextDecoder().decode((await reader.read()).value);
    expect(told).toMatch(/^data: .*"watching":true/);
    await reader.cancel();
    await ask('DELETE', '/api/simulator/faults/0');
    run(1);
    const back = await untilSeen(watch, ({ silent }) => silent.length === 0);
    expect(back.events.some(({ kind, device }) => kind === 'back' && device === 'pressure-node')).toBe(true);
  });

  it('passes a device of which exactly the frames vanish and come back', async () => {
    expect((await ask<{ error: string }>('POST', '/api/checks/watch/unplug', { device: 'nobody' })).body.error).toBe('DEVICE_UNKNOWN');
    await ask('POST', '/api/checks/watch/unplug', { device: 'thermocouple-box' });
    run(0.5);
    await ask('POST', '/api/simulator/faults', { fault: 'device_silent', device: 'thermocouple-box' });
    run(2);
    await untilSeen(watch, ({ unplugs }) => unplugs.at(-1)?.phase === 'vanished');
    await ask('DELETE', '/api/simulator/faults/0');
    run(2);
    const { unplugs } = await untilSeen(watch, ({ unplugs: list }) => ['passed', 'failed'].includes(list.at(-1)?.phase ?? ''));
    expect(unplugs.at(-1)).toMatchObject({ device: 'thermocouple-box', phase: 'passed', others: [] });
    await ask('DELETE', '/api/checks/watch');
    expect((await watch()).watching).toBe(false);
  });

  it('are kept as runs with what happened on which branch, and compared with the last good one', async () => {
    const finish = (test: string) => ask<CheckRun>('POST', '/api/checks/watch/finish', { test, by: 'Ada' });
    await ask('POST', '/api/checks/watch', {});
    await ask('POST', '/api/checks/watch/branch', { branch: 'left bank' });
    run(2);
    await untilSeen(watch, ({ absent }) => absent.length === 0);
    const good = (await finish('wiggle')).body;
    expect(good).toMatchObject({ check: 'wiggle', title: 'Wiggle test', by: 'Ada', ok: true, right: 1, wrong: 0 });
    expect((await watch()).watching).toBe(false);

    await ask('POST', '/api/checks/watch', {});
    run(2);
    await untilSeen(watch, ({ absent }) => absent.length === 0);
    await ask('POST', '/api/checks/watch/branch', { branch: 'left bank' });
    await ask('POST', '/api/simulator/faults', { fault: 'device_silent', device: 'pressure-node' });
    run(1);
    await untilSeen(watch, ({ silent }) => silent.includes('pressure-node'));
    await ask('POST', '/api/checks/watch/branch', { branch: 'right bank' });
    await ask('DELETE', '/api/simulator/faults/0');
    run(1);
    await untilSeen(watch, ({ silent }) => silent.length === 0);
    const bad = (await finish('wiggle')).body;
    const verdicts = bad.result.verdicts.map(({ branch, ok, device, stretch }) => ({ branch, ok, device, stretch }));
    expect(verdicts).toEqual([
      { branch: 'left bank', ok: false, device: 'pressure-node', stretch: 'thermocouple-box - pressure-node' },
      { branch: 'right bank', ok: true, device: undefined, stretch: undefined },
    ]);
    expect(bad.comparedWith).toBe(good.run);
    expect(bad.changes[0]).toMatch(/^Wrong now, was right: .*left bank/);

    await ask('POST', '/api/checks/watch', {});
    const unplug = (await finish('unplug')).body;
    expect(unplug.result.verdicts).toEqual([]);
    expect(unplug.result.notJudged?.map(({ what }) => what).join()).toContain('pressure-node: it was not unplugged');
    expect((await ask<{ error: string }>('POST', '/api/checks/watch/finish', { test: 'unplug' })).body.error).toBe('CHECK_NOT_RUNNING');
  });
});

describe('typed readings of the line', () => {
  it.each([
    ['60', true],
    ['120', false],
    ['40', false],
    ['0', false],
    ['open', false],
  ])('says of %s ohm whether it is right', async (ohm, ok) => {
    const { body } = await ask<VerdictView>('GET', `/api/checks/line?bus=engine&ohm=${ohm}`);
    expect([body.ok, body.bus]).toEqual([ok, 'engine']);
  });

  it('are kept as a run, each judged anew, with who read them', async () => {
    const readings = [
      { bus: 'engine', ohm: 61.2, wallMs: 1_000 },
      { bus: 'hull', high: 2.7, low: 2.3, wallMs: 21_000 },
      { device: 'pressure-node', battery: 12.6, supply: 12.4, ground: 0.32, wallMs: 61_000 },
    ];
    const { body } = await ask<CheckRun>('POST', '/api/checks/line', { by: 'Ada', readings });
    expect(body).toMatchObject({ check: 'line', by: 'Ada', seconds: 60, wrong: 1, right: 2 });
    expect(body.result.verdicts.map(({ code, ok, bus, device }) => [code, ok, bus ?? device])).toEqual([
      ['line-resistance', true, 'engine'],
      ['line-voltage', true, 'hull'],
      ['device-supply', false, 'pressure-node'],
    ]);
    const wrong = [{ device: 'nobody', battery: 12, supply: 12, ground: 0, wallMs: 0 }];
    expect((await ask<{ error: string }>('POST', '/api/checks/line', { readings: wrong })).body.error).toBe('DEVICE_UNKNOWN');
  });

  it('needs a reading', async () => {
    expect((await ask<{ error: string }>('GET', '/api/checks/line')).body.error).toBe('REQUEST_WRONG');
  });
});
