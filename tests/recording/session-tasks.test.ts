// Long work on stored sessions through the built workers: re-reading in a queue, comparison, reports, exports; and lists that are searched.
import { createHash } from 'node:crypto';
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it, vi } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { listSummaries, matchesSearch } from '../../server/recording/catalogue.ts';
import { sessionPath } from '../../server/recording/data-folder.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { Recorder } from '../../server/recording/recorder.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { SessionTasks } from '../../server/recording/session-tasks.ts';
import { Sessions } from '../../server/recording/sessions.ts';
import { summarizeSamples } from '../../server/recording/statistics.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { testVehicle } from './test-vehicle.ts';

const startUs = 1_700_000_000_000_454;
const recordedBy = () => testVehicle({ ids: 6 });
/** Every `wander` has twice the scale, and an alarm comes that there was not. */
const today = () =>
  testVehicle({ ids: 6, factor: 0.2, extra: 'alarms:\n  - { name: come, when: "noisy_0 > 510", severity: warning, advice: Look }\n' });

let data: string;
let scrap: string;
let recorder: Recorder;
let sessions: Sessions;
let tasks: SessionTasks;
let inForce: Vehicle;
beforeEach(async () => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-tasks-'));
  // Of their own: other test files leave exports in the usual place for a moment too.
  scrap = mkdtempSync(join(tmpdir(), 'evenburn-tasks-scrap-'));
  vi.stubEnv('TMPDIR', scrap);
  recorder = await Recorder.open(data, recordedBy());
  sessions = new Sessions(data, recorder, { bytesMax: 5e9 });
  inForce = today();
  tasks = new SessionTasks({ data, vehicle: () => inForce, release: (session) => sessions.release(session) });
});
afterEach(async () => {
  await tasks.close();
  await sessions.close();
  await recorder.stop();
  vi.unstubAllEnvs();
  for (const folder of [data, scrap]) rmSync(folder, { recursive: true, force: true });
});

function addSession(seed = 1, seconds = 15): Promise<number> {
  const frames = [canTrace({ seed, seconds, ids: 8, startUs })];
  return importFrames(data, recordedBy(), { frames, origin: `made-${seed}.log`, remarks: () => [] }, 0);
}

const first = { session: 1, reading: undefined };
const over = (job: { state: string }) => job.state !== 'waiting' && job.state !== 'running';
const ended = () => eventually(() => expect(tasks.rereads().every(over)).toBe(true));

describe('re-reading', () => {
  it('adds a reading beside the old one, says what is different, and swaps the shown one when asked', async () => {
    await addSession();
    await addSession(2);
    tasks.reread([1, 2], false);
    await ended();
    expect(tasks.rereads()).toMatchObject(
      [1, 2].map((session) => ({ session, state: 'done', share: 1, reading: 2, beside: 1, identical: false, problem: '' })),
    );
    const compared = await tasks.compare(1, 2, 1);
    // Six channels wander: twice the scale from the same offset of -50 differs by factor × raw, at most 0.1 × 65535.
    expect(compared.channels.map(({ channel }) => channel).sort()).toEqual([0, 1, 2, 3, 4, 5].map((i) => `wander_${i}`));
    for (const { most } of compared.channels) {
      expect(most?.by).toBeCloseTo((most?.old ?? 0) + 50, 6);
      expect(most?.by).toBeLessThanOrEqual(6553.5);
    }
    expect(compared.alarmsMore.length).toBeGreaterThan(0);
    expect(compared.alarmsMore[0]).toMatchObject({ alarm: 'come', severity: 'warning' });
    expect(compared.alarmsFewer).toEqual([]);
    expect((await sessions.detail(first)).reading).toBe(1);
    await sessions.change(1, { reading: 2 });
    const { reading, readings, markers } = await sessions.detail(first);
    expect([reading, readings.map(({ hash }) => hash)]).toEqual([2, [recordedBy().hash, today().hash]]);
    expect(markers.some(({ kind, text }) => kind === 'alarm' && text === 'come')).toBe(true);
    await expect(sessions.change(1, { reading: 9 })).rejects.toMatchObject({ code: 'READING_UNKNOWN' });
  });

  it('is identical to the last bit by the same definitions, and shows the new reading with `use`', async () => {
    inForce = recordedBy();
    await addSession();
    tasks.reread([1], true);
    await ended();
    expect(tasks.rereads()).toMatchObject([{ state: 'done', identical: true, channelsChanged: 0 }]);
    expect((await sessions.detail(first)).reading).toBe(2);
  });

  it('can be cancelled: what waits never begins, and no half a reading is left', async () => {
    // Long enough to be under way still when a busy machine has looked and cancelled.
    await addSession(1, 480);
    await addSession(2);
    tasks.reread([1, 2], false);
    await eventually(() => expect(tasks.rereads()[0]?.share).toBeGreaterThan(0), 5);
    tasks.cancel();
    await ended();
    expect(tasks.rereads().map(({ state }) => state)).toEqual(['cancelled', 'cancelled']);
    expect((await sessions.detail(first)).readings.map(({ id, state }) => [id, state])).toEqual([[1, 'complete']]);
    expect(existsSync(`${sessionPath(data, 1)}-wal`)).toBe(false);
  });

  it('names why it failed and goes on with the next', async () => {
    await addSession();
    tasks.reread([7, 1, 1], false);
    expect(tasks.isBusy(1)).toBe(true);
    await ended();
    expect(tasks.isBusy(1)).toBe(false);
    expect(tasks.rereads()).toMatchObject([
      { session: 7, state: 'failed', problem: expect.stringContaining('no session 7') },
      { session: 1, state: 'done' },
    ]);
    expect(() => tasks.cancel(99)).toThrow(expect.objectContaining({ code: 'REREAD_UNKNOWN' }));
  });
});

describe('reports and exports', () => {
  it('are made in workers, several asked for at once, and leave nothing behind', async () => {
    await addSession();
    const pages = await Promise.all([1, 2, 3].map(() => tasks.report(first)));
    for (const page of pages) expect(page).toContain('<title>Session 1, Teal</title>');
    const { name, bytes } = await tasks.export(1, { format: 'session' });
    const hash = createHash('sha256');
    for await (const chunk of bytes) hash.update(chunk as Buffer);
    expect(name).toBe('session-1.sqlite');
    expect(hash.digest('hex')).toBe(
      createHash('sha256')
        .update(readFileSync(sessionPath(data, 1)))
        .digest('hex'),
    );
    await eventually(() => expect(readdirSync(scrap)).toEqual([]));
  });

  it('name what is not there', async () => {
    await expect(tasks.report({ session: 3, reading: undefined })).rejects.toMatchObject({ code: 'SESSION_UNKNOWN' });
    await addSession();
    await expect(tasks.report({ session: 1, reading: 5 })).rejects.toMatchObject({ code: 'READING_UNKNOWN' });
    await expect(tasks.export(1, { format: 'csv', channels: 'no_such' })).rejects.toMatchObject({ code: 'CHANNEL_UNKNOWN' });
    await expect(tasks.compare(1, 1, 2)).rejects.toMatchObject({ code: 'READING_UNKNOWN' });
  });
});

describe('statistics', () => {
  it('are of the samples themselves, between two times', async () => {
    await addSession();
    const { fromUs } = await sessions.detail(first);
    const file = SessionFile.open(data, 1);
    const reading = new ReadingFile(file, 1);
    const values: number[] = [];
    const [from, to] = [fromUs + 3_000_000, fromUs + 9_000_000];
    for (const { timeUs, value, quality } of reading.samples(reading.channel('noisy_0').id)) {
      for (const [i, us] of timeUs.entries()) if (us >= from && us <= to && quality[i] === 0) values.push(value[i] as number);
    }
    file.close();
    values.sort((a, b) => a - b);
    const { channels } = await sessions.statistics(first, { channels: 'noisy_0', from, to });
    expect(channels[0]).toMatchObject({
      channel: 'noisy_0',
      ok: values.length,
      outOfRange: 0,
      bad: 0,
      low: values[0],
      high: values.at(-1),
    });
    expect(channels[0]?.mean).toBeCloseTo(values.reduce((sum, value) => sum + value, 0) / values.length, 9);
    const middle = (values.length - 1) / 2;
    expect(channels[0]?.p50).toBeCloseTo(((values[Math.floor(middle)] ?? 0) + (values[Math.ceil(middle)] ?? 0)) / 2, 9);
  });

  it('count only the times at which another channel lay between two values', async () => {
    await addSession();
    const { fromUs: from, toUs: to } = await sessions.detail(first);
    const whole = await sessions.statistics(first, { channels: 'noisy_0,wander_0', from, to });
    const wander = whole.channels[1];
    const axisTo = wander?.p50 ?? 0;
    const half = await sessions.statistics(first, { channels: 'wander_0,noisy_0', from, to, axis: 'wander_0', axisTo });
    // Both come in one frame: those of the lower half of the one are half of the other's.
    expect(half.channels[0]?.high).toBeLessThanOrEqual(axisTo);
    expect(half.channels[0]?.ok).toBe(half.channels[1]?.ok);
    expect((half.channels[0]?.ok ?? 0) / (wander?.ok ?? 1)).toBeGreaterThanOrEqual(0.5);
  });

  it('are null where nothing was, and count what was bad', async () => {
    await addSession();
    const { fromUs: from } = await sessions.detail(first);
    const { channels } = await sessions.statistics(first, { channels: 'noisy_0', from: 0, to: from - 1 });
    expect(channels[0]).toEqual({
      channel: 'noisy_0',
      unit: '',
      ok: 0,
      outOfRange: 0,
      bad: 0,
      low: null,
      high: null,
      mean: null,
      p5: null,
      p50: null,
      p95: null,
      lowAt: null,
      highAt: null,
      p5At: null,
      p50At: null,
      p95At: null,
    });
    await expect(sessions.statistics(first, { channels: 'no_such', from: 0, to: 1 })).rejects.toMatchObject({ code: 'CHANNEL_UNKNOWN' });
    await expect(sessions.statistics(first, { channels: 'noisy_0', from: 2, to: 1 })).rejects.toMatchObject({ code: 'REQUEST_WRONG' });
  });

  it.each([
    [[10, 20, 30, 40], 25, 11.5, 38.5],
    [[5], 5, 5, 5],
    [[3, 1, 2], 2, 1.1, 2.9],
  ])('of %j have the middle %f, and the 5th and 95th percentile %f and %f', (values, p50, p5, p95) => {
    const found = summarizeSamples('a', '', { timeUs: values.map((_, i) => i * 1000), value: values }, 0, 0);
    expect(found.p50).toBeCloseTo(p50, 12);
    expect(found.p5).toBeCloseTo(p5, 12);
    expect(found.p95).toBeCloseTo(p95, 12);
  });

  it('name a sample behind each number: the first of the lowest, and of a percentile the lower of its two neighbours', () => {
    // In order of time 0, 1, 2, ... ms; sorted 1 1 2 3 4, so that the 5th percentile lies from the first on and the 95th from the fourth.
    const value = [3, 1, 4, 1, 2];
    const found = summarizeSamples('a', '', { timeUs: value.map((_, i) => i * 1000), value }, 0, 0);
    expect([found.lowAt, found.p5At, found.p50At, found.p95At, found.highAt]).toEqual([1000, 1000, 4000, 0, 2000]);
  });
});

describe('the list of sessions', () => {
  it('is searched by name, note, tag, conditions, date and channel, every word', async () => {
    await addSession(1);
    await addSession(2);
    await sessions.change(2, { name: 'Evening two', note: 'plugs moved', tags: ['dyno'], conditions: { fuel: 'methanol' } });
    const found = async (search: string) => (await sessions.list(search)).sessions.map(({ session }) => session);
    expect(await found('')).toEqual([2, 1]);
    expect(await found('EVENING dyno')).toEqual([2]);
    expect(await found('moved methanol')).toEqual([2]);
    expect(await found('wander_3')).toEqual([2, 1]);
    expect(await found('wander_3 made-1')).toEqual([1]);
    expect(await found('2023-11-1')).toEqual([2, 1]);
    expect(await found('moved made-1')).toEqual([]);
    expect((await sessions.list('moved')).all).toBe(2);
  });

  it('has a line of the first channel with a unit or any, lowest and highest as the trace has them', async () => {
    await addSession();
    const [summary] = listSummaries(data);
    const { spark } = summary?.view ?? {};
    const { traces } = await sessions.window(first, { channels: spark?.channel ?? '' });
    const all = traces[0];
    const lows = (spark?.bins ?? []).flatMap((bin) => (bin ? [bin[0]] : []));
    expect(Math.min(...lows)).toBe(Math.min(...(all?.low ?? []).filter((low) => low !== null)));
    expect(summary && matchesSearch(summary, 'noisy_5')).toBe(true);
  });

  it('says the room there is, the bounds, and what was deleted and until when it can come back', async () => {
    await addSession();
    const { size } = statSync(sessionPath(data, 1));
    expect((await sessions.list()).keep).toMatchObject({ bytes: size, bytesMax: 5e9, daysMax: null, warningBytes: 2 * 1024 ** 3 });
    await sessions.remove(1);
    const { laidAside, sessions: left } = await sessions.list();
    expect([left, laidAside.map(({ session }) => session)]).toEqual([[], [1]]);
    const [aside] = laidAside;
    expect((aside?.untilWallMs ?? 0) - (aside?.sinceWallMs ?? 0)).toBe(7 * 24 * 3600 * 1000);
  });
});
