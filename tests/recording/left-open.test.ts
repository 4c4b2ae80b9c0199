// Sessions that nobody closed: what a kill leaves, copies made while one is recorded, and such files handed over. Each becomes a whole one.
import { cpSync, mkdirSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { backupSessions } from '../../server/recording/backup.ts';
import { compareReadings } from '../../server/recording/compare-readings.ts';
import { DataFolderLock, sessionPath, sessionsFolder } from '../../server/recording/data-folder.ts';
import { importSessionFile } from '../../server/recording/import-session.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { Recorder } from '../../server/recording/recorder.ts';
import { findUnfinished, finishKilled, finishLeftOpen } from '../../server/recording/recovery.ts';
import { rereadSession } from '../../server/recording/reread.ts';
import { loadStored, SessionFile } from '../../server/recording/session-file.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { recordLines } from './record-lines.ts';
import { testVehicle } from './test-vehicle.ts';

const folder = mkdtempSync(join(tmpdir(), 'evenburn-left-open-'));
const recording = join(folder, 'recording');
/** Longer than a slice of ten seconds, so that part of it lies in the journal alone. */
const batch = canTrace({ seed: 3, seconds: 14, ids: 10, startUs: 1000 });
const sent = recordLines([{ kind: 'frames', batch }]);
let recorder: Recorder;

beforeAll(async () => {
  recorder = await Recorder.open(recording, testVehicle());
  recorder.take({ kind: 'frames', batch });
  await eventually(() => expect(recorder.figures.recordedFrames).toBe(batch.count));
});
afterAll(async () => {
  await recorder.stop();
  rmSync(folder, { recursive: true, force: true });
});

/** A data folder as a kill of now would leave it. */
function killed(name: string): string {
  const data = join(folder, name);
  cpSync(sessionsFolder(recording), sessionsFolder(data), { recursive: true });
  return data;
}

/** What a session holds: its state, its remarks, whether all frames that were sent are in it, and whether its reading goes to their end. */
async function expectWhole(data: string, session: number, state: string): Promise<string[]> {
  const file = SessionFile.open(data, session);
  expect(file.facts).toMatchObject({ state, frames: batch.count });
  expect(recordLines(file.record()).filter((line) => line.startsWith('frame'))).toEqual(sent);
  const { remarks } = file.facts;
  file.close();
  const again = await rereadSession(data, session, { nowWallMs: 0 });
  const both = SessionFile.open(data, session);
  expect(compareReadings(new ReadingFile(both, 1), new ReadingFile(both, again))).toMatchObject({ identical: true });
  both.close();
  expect(readdirSync(sessionsFolder(data)).filter((name) => !/^\d+\.sqlite$/.test(name))).toEqual([]);
  return remarks;
}

describe('a session that nobody closed', () => {
  it('of a killed program is finished before a command reads it', async () => {
    const data = killed('killed');
    await finishLeftOpen(data, 1);
    await expectWhole(data, 1, 'killed');
    // A closed one is left alone, and so is one that is not there.
    await finishLeftOpen(data, 1);
    await finishLeftOpen(data, 9);
  });

  it('is left to the server that records it', async () => {
    const data = killed('served');
    const lock = DataFolderLock.take(data);
    await finishLeftOpen(data, 1);
    lock.release();
    const file = SessionFile.open(data, 1);
    expect(file.facts.state).toBe('open');
    file.close();
  });

  it('is found by the next start without its log too, as a copy by hand is', async () => {
    const data = join(folder, 'by-hand');
    mkdirSync(sessionsFolder(data), { recursive: true });
    cpSync(sessionPath(recording, 1), sessionPath(data, 1));
    expect(findUnfinished(data)).toEqual([1]);
    await finishKilled(sessionPath(data, 1), loadStored);
    expect(findUnfinished(data)).toEqual([]);
  });

  it('is whole in a backup that is made meanwhile, and says so', async () => {
    const copies = join(folder, 'copies');
    expect(await backupSessions(recording, copies)).toMatchObject({ copied: [1], failed: [] });
    expect(readdirSync(copies)).toEqual(['1.sqlite']);
    const data = join(folder, 'restored');
    mkdirSync(sessionsFolder(data), { recursive: true });
    cpSync(join(copies, '1.sqlite'), sessionPath(data, 1));
    expect(findUnfinished(data)).toEqual([]);
    expect(await expectWhole(data, 1, 'closed')).toContainEqual(expect.stringContaining('while it was being recorded'));
  });

  it('is taken in with its log when it is handed over', async () => {
    const data = join(folder, 'friend');
    expect(await importSessionFile(data, sessionPath(killed('handed'), 1))).toBe(1);
    await expectWhole(data, 1, 'killed');
  });
});
