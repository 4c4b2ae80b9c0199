// Stored sessions as pages ask for them, through the built workers.
import { existsSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { binHeld, binNone } from '../../server/contract/packet.ts';
import { Pipeline } from '../../server/pipeline.ts';
import { listSessions, syncCatalogue } from '../../server/recording/catalogue.ts';
import { cataloguePath, sessionPath } from '../../server/recording/data-folder.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { Recorder } from '../../server/recording/recorder.ts';
import { editNotes, purgeDeleted, retain } from '../../server/recording/session-edits.ts';
import { Sessions } from '../../server/recording/sessions.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { testVehicle } from './test-vehicle.ts';

const startUs = 1_700_000_000_000_454;
const alarms = `
alarms:
  - { name: stay, when: "noisy_0 > 510", severity: warning, latch: true, advice: Look }
  - { name: go, when: "noisy_0 > 510", severity: caution, advice: Look }
`;
const vehicle = () => testVehicle({ ids: 6, extra: alarms });

let data: string;
let recorder: Recorder;
let sessions: Sessions;
beforeEach(async () => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-sessions-'));
  recorder = await Recorder.open(data, vehicle());
  sessions = new Sessions(data, recorder);
});
afterEach(async () => {
  await sessions.close();
  await recorder.stop();
  rmSync(data, { recursive: true, force: true });
});

async function addSession(seed = 1, seconds = 15): Promise<number> {
  const frames = [canTrace({ seed, seconds, ids: 8, startUs })];
  return importFrames(data, vehicle(), { frames, origin: `made-${seed}.log`, remarks: () => [] }, 0);
}

const first = { session: 1, reading: undefined };

describe('stored sessions', () => {
  it('are listed newest first with what they hold', async () => {
    await addSession(1);
    await addSession(2);
    const { sessions: list } = await sessions.list();
    expect(list.map(({ session, origin }) => [session, origin])).toEqual([
      [2, 'made-2.log'],
      [1, 'made-1.log'],
    ]);
    const trace = canTrace({ seed: 1, seconds: 15, ids: 8, startUs });
    expect(list[1]).toMatchObject({ vehicle: 'Teal', state: 'closed', frames: trace.count, pinned: false, note: '' });
    expect(list[1]?.startedWallMs).toBe(Math.round((trace.timeUs[0] as number) / 1000));
    expect(list[1]?.seconds).toBeCloseTo(((trace.timeUs[trace.count - 1] as number) - (trace.timeUs[0] as number)) / 1e6, 9);
  });

  it('give the values of any instant as the pipeline had them then', async () => {
    await addSession();
    const trace = canTrace({ seed: 1, seconds: 15, ids: 8, startUs });
    const atUs = startUs + 7_654_321;
    const pipeline = new Pipeline(vehicle(), { samples: () => {}, alarm: () => {} });
    let until = 0;
    while (until < trace.count && (trace.timeUs[until] as number) <= atUs) until++;
    trace.count = until;
    pipeline.take({ kind: 'frames', batch: trace });
    pipeline.take({ kind: 'mark', timeUs: atUs });
    const instant = await sessions.instant(first, atUs);
    const { table, channels } = pipeline;
    expect(instant.values).toEqual(channels.map(({ index }) => ((table.quality[index] as number) <= 1 ? table.value[index] : null)));
    expect(instant.quality).toEqual(channels.map(({ index }) => table.quality[index]));
    expect(instant.wallMs).toBeCloseTo(atUs / 1000, 0);
    expect(instant.alarms.active.map(({ name, state }) => [name, state])).toEqual(
      pipeline.alarms.standing.map(({ name, state }) => [name, state]),
    );
  });

  it('step from frame to frame in both directions and end at the ends', async () => {
    await addSession();
    const { timeUs, count } = canTrace({ seed: 1, seconds: 15, ids: 8, startUs });
    const at = timeUs[1000] as number;
    expect(await sessions.step(first, at, 'next')).toEqual({ timeUs: timeUs[1001] });
    expect(await sessions.step(first, at, 'previous')).toEqual({ timeUs: timeUs[999] });
    expect(await sessions.step(first, timeUs[count - 1] as number, 'next')).toEqual({ timeUs: null });
    expect(await sessions.step(first, timeUs[0] as number, 'previous')).toEqual({ timeUs: null });
  });

  it('show where a number came from down to the bytes of its frame', async () => {
    await addSession();
    const trace = canTrace({ seed: 1, seconds: 15, ids: 8, startUs });
    const atUs = startUs + 5_000_000;
    let last = -1;
    for (let i = 0; i < trace.count && (trace.timeUs[i] as number) <= atUs; i++) if (trace.id[i] === 0x100) last = i;
    const why = await sessions.why(first, 'wander_0', atUs);
    expect(why.nodes[0]).toMatchObject({ channel: 'wander_0', quality: 'ok', sampleTimeUs: trace.timeUs[last] });
    expect(why.nodes[0]?.signal).toMatchObject({ id: '0x100', bytes: Buffer.from(trace.bytesOf(last)).toString('hex').toUpperCase() });
  });

  it('answer windows with held values and unknown stretches told apart', async () => {
    await addSession();
    // wander_3 comes every 50 ms, so bins of 10 ms are mostly without a sample.
    const window = await sessions.window(first, {
      channels: 'wander_3',
      from: startUs - 1_000_000,
      to: startUs + 1_000_000,
      width: 10_000,
    });
    const quality = window.traces[0]?.quality ?? [];
    expect(quality[0]).toBe(binNone);
    const firstSample = quality.indexOf(0);
    expect(firstSample).toBeGreaterThan(90);
    expect(quality.slice(firstSample + 1, firstSample + 4)).toEqual([binHeld, binHeld, binHeld]);
    expect(window.traces[0]?.low[firstSample]).not.toBeNull();
    expect(window.traces[0]?.low[firstSample + 1]).toBeNull();
  });

  it('give an empty trace beside the others for a channel that never had a sample, and refuse one that nobody knows', async () => {
    const frames = [canTrace({ seed: 1, seconds: 15, ids: 2, startUs })];
    await importFrames(data, vehicle(), { frames, origin: 'made.log', remarks: () => [] }, 0);
    const stretch = { from: startUs, to: startUs + 1_000_000, width: 100_000 };
    const { traces, count } = await sessions.window(first, { channels: 'wander_5,wander_0', ...stretch });
    const never = traces.find(({ channel }) => channel === 'wander_5');
    expect(never?.quality).toEqual(new Array(count).fill(binNone));
    expect(traces.find(({ channel }) => channel === 'wander_0')?.low.some((low) => low !== null)).toBe(true);
    await expect(sessions.window(first, { channels: 'nobody', ...stretch })).rejects.toThrow(/nobody/);
  });

  it('have markers for their alarms', async () => {
    await addSession();
    const detail = await sessions.detail(first);
    expect(detail).toMatchObject({ reading: 1, readings: [{ id: 1, state: 'complete' }] });
    expect(detail.markers.filter(({ kind }) => kind === 'alarm').map(({ text }) => text)).toContain('stay');
    expect(detail.toUs - detail.fromUs).toBeGreaterThan(14_000_000);
  });

  it('take notes and pins, go and come back', async () => {
    await addSession();
    expect(await sessions.change(1, { note: 'Second pull', pinned: true })).toMatchObject({
      session: 1,
      note: 'Second pull',
      pinned: true,
    });
    await sessions.remove(1);
    expect((await sessions.list()).sessions).toEqual([]);
    await expect(sessions.detail(first)).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
    await sessions.restore(1);
    expect((await sessions.list()).sessions).toMatchObject([{ session: 1, note: 'Second pull' }]);
    await expect(sessions.restore(1)).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
  });

  it('are not removed while they are recorded, but take a note', async () => {
    recorder.take({ kind: 'frames', batch: canTrace({ seed: 3, seconds: 1, ids: 4 }) });
    await eventually(() => expect(recorder.status().session).toBe(1));
    await expect(sessions.remove(1)).rejects.toMatchObject({ code: 'SESSION_RECORDING' });
    expect(await sessions.change(1, { note: 'running' })).toMatchObject({ state: 'open', note: 'running' });
  });

  it('name what is not there', async () => {
    await expect(sessions.detail({ session: 9, reading: undefined })).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
    await addSession();
    await expect(sessions.detail({ session: 1, reading: 4 })).rejects.toMatchObject({ code: 'READING_UNKNOWN' });
    await expect(sessions.why(first, 'no_such', 0)).rejects.toMatchObject({ code: 'CHANNEL_UNKNOWN' });
  });
});

describe('the data folder', () => {
  it('makes its catalogue anew when it is damaged or gone', async () => {
    await addSession();
    syncCatalogue(data);
    const before = listSessions(data);
    writeFileSync(cataloguePath(data), 'not a database, by far; long enough to be looked at as one, and then some');
    expect(listSessions(data)).toEqual(before);
    syncCatalogue(data);
    expect(listSessions(data)).toEqual(before);
    rmSync(cataloguePath(data));
    expect(listSessions(data)).toEqual(before);
  });

  it('keeps within its bounds by the oldest first and never touches a pinned one', async () => {
    for (const seed of [1, 2, 3, 4]) await addSession(seed, 3);
    editNotes(data, 1, { pinned: true });
    expect(retain(data, { bytesMax: 0 })).toEqual([2, 3, 4]);
    expect(listSessions(data).map(({ session }) => session)).toEqual([1]);
    expect(retain(data, { beforeWallMs: Number.MAX_SAFE_INTEGER })).toEqual([]);
    expect(purgeDeleted(data, 0)).toEqual([]);
    expect(purgeDeleted(data, Number.MAX_SAFE_INTEGER)).toEqual([2, 3, 4]);
  });

  it('gives no number twice while a deleted session may come back', async () => {
    await addSession(1, 1);
    await sessions.remove(1);
    expect(await addSession(2, 1)).toBe(2);
    expect(existsSync(sessionPath(data, 1))).toBe(false);
  });
});

describe('a recorder with a bound', () => {
  it('lets the oldest sessions go when it starts, and keeps pinned ones', async () => {
    for (const seed of [1, 2, 3]) await addSession(seed, 2);
    editNotes(data, 2, { pinned: true });
    await recorder.stop();
    recorder = await Recorder.open(data, vehicle(), { keep: { daysMax: 1 } });
    await eventually(() => expect(listSessions(data).map(({ session }) => session)).toEqual([2]));
  });
});
