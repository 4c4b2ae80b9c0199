// What the machine may refuse: a full disk, a folder that can't be written, a file locked by another program. Nothing committed is lost.
import { spawnSync } from 'node:child_process';
import { chmodSync, closeSync, fstatSync, mkdtempSync, openSync, rmSync, statSync, truncateSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { sessionPath } from '../../server/recording/data-folder.ts';
import { refuseOldSqlite } from '../../server/recording/database.ts';
import { Recorder, type RecorderStatus } from '../../server/recording/recorder.ts';
import { checkSession, repairSession } from '../../server/recording/repair.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { recordLines } from './record-lines.ts';
import { testVehicle } from './test-vehicle.ts';

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-disk-'));
});
afterEach(() => rmSync(data, { recursive: true, force: true }));

function framesOf(session: number): string[] {
  const file = SessionFile.open(data, session);
  const lines = recordLines(file.record()).filter((line) => line.startsWith('frame'));
  file.close();
  return lines;
}

/** Mounts a small file system on the data folder, as user root or in a name space of its own; false where this computer can't. */
function mountSmall(sizeMb: number): boolean {
  return spawnSync('mount', ['-t', 'tmpfs', '-o', `size=${sizeMb}m`, 'tmpfs', data]).status === 0;
}

describe('a disk', () => {
  it('that is full ends the recording with a clear word, and what was committed is there', async ({ skip }) => {
    if (!mountSmall(48)) skip('a small file system can only be mounted by root');
    const said: RecorderStatus[] = [];
    const recorder = await Recorder.open(data, testVehicle(), { onStatus: (status) => said.push(status) });
    try {
      const first = canTrace({ seed: 1, seconds: 2, ids: 12, startUs: 1000 });
      recorder.take({ kind: 'frames', batch: first });
      await eventually(() => expect(recorder.figures.recordedFrames).toBe(first.count));
      fillUp(data);
      // Live goes on: taking never throws or waits.
      for (let k = 1; k < 40; k++)
        recorder.take({ kind: 'frames', batch: canTrace({ seed: k, seconds: 2, ids: 40, startUs: k * 2_000_000 }) });
      await eventually(() => expect(recorder.status().state).toBe('stopped'));
      expect(recorder.status().detail).toContain('the disk is full');
      expect(recorder.figures.unrecordedFrames).toBeGreaterThan(0);
      expect(framesOf(1).slice(0, first.count)).toEqual(recordLines([{ kind: 'frames', batch: first }]));
      // With room again it goes on by itself, in a new session.
      rmSync(join(data, 'ballast'));
      const later = canTrace({ seed: 99, seconds: 1, ids: 12, startUs: 200_000_000 });
      await eventually(() => {
        recorder.take({ kind: 'frames', batch: later });
        expect(recorder.status()).toMatchObject({ state: 'recording', session: 2 });
      }, 300);
    } finally {
      await recorder.stop();
      expect(checkSession(data, 2).damage).toEqual([]);
      spawnSync('umount', ['-l', data]);
    }
  });

  it('that is full is named in one line by a command that writes there, into a file or to standard output', ({ skip }) => {
    if (!mountSmall(1)) skip('a small file system can only be mounted by root');
    try {
      fillUp(data);
      const simulate = (output: string, stdout: number | 'pipe') => {
        const args = ['server/start.mjs', 'simulate', 'demo', '--vehicle', 'bus-definitions/garganey', '--seconds', '5', '-o', output];
        const done = spawnSync(process.execPath, args, { stdio: ['ignore', stdout, 'pipe'], encoding: 'utf8' });
        return [done.status, done.stderr];
      };
      const cure = 'Check the folder, its permissions and the disk.';
      const path = join(data, 'demo.log');
      expect(simulate(path, 'pipe')).toEqual([4, `evenburn: ${path} cannot be written: ENOSPC. ${cure}\n`]);
      const out = openSync(join(data, 'out'), 'w');
      expect(simulate('-', out)).toEqual([4, `evenburn: standard output cannot be written: ENOSPC. ${cure}\n`]);
      closeSync(out);
      // Room for the beginning only, and all of it in one write: a short write is no whole one.
      rmSync(join(data, 'out'));
      truncateSync(join(data, 'ballast'), statSync(join(data, 'ballast')).size - 8192);
      const rows = Array.from({ length: 400 }, (_, k) => `0x${(0x100 + k).toString(16)},Signal ${k},0-1,big,0.1,kPa`);
      const deviceFile = openSync(join(data, 'device.yaml'), 'w');
      const done = spawnSync(process.execPath, ['server/start.mjs', 'import-table', '-'], {
        input: ['CAN ID,Signal,Bytes,Byte order,Scale,Unit', ...rows].join('\n'),
        stdio: ['pipe', deviceFile, 'pipe'],
        encoding: 'utf8',
      });
      expect([done.status, done.stderr.trim().split('\n').at(-1)]).toEqual([
        4,
        `evenburn: standard output cannot be written: ENOSPC. ${cure}`,
      ]);
      expect(fstatSync(deviceFile).size).toBeGreaterThan(0);
      closeSync(deviceFile);
    } finally {
      spawnSync('umount', ['-l', data]);
    }
  });

  it('in a folder that can not be made or written is refused at the start, with its cure', async () => {
    writeFileSync(join(data, 'plain'), '');
    await expect(Recorder.open(join(data, 'plain', 'sub'), testVehicle())).rejects.toMatchObject({
      code: 'DATA_UNWRITABLE',
      cure: expect.stringContaining('--data DIR'),
    });
    // Where the system refuses every new folder as absent, Node's own making of folders never comes back.
    if (process.platform === 'linux')
      await expect(Recorder.open('/proc/evenburn/data', testVehicle())).rejects.toMatchObject({ code: 'DATA_UNWRITABLE' });
    if (process.getuid?.() === 0) return;
    chmodSync(data, 0o500);
    await expect(Recorder.open(data, testVehicle())).rejects.toMatchObject({ code: 'DATA_UNWRITABLE' });
    chmodSync(data, 0o700);
  });
});

function fillUp(folder: string): void {
  const done = spawnSync('dd', ['if=/dev/zero', `of=${join(folder, 'ballast')}`, 'bs=64k']);
  expect(done.stderr.toString()).toContain('No space left');
}

describe('a session file', () => {
  it('locked by another program is waited for; everything is recorded once it is free', async () => {
    const recorder = await Recorder.open(data, testVehicle());
    const first = canTrace({ seed: 1, seconds: 1, ids: 12, startUs: 1000 });
    recorder.take({ kind: 'frames', batch: first });
    await eventually(() => expect(recorder.figures.recordedFrames).toBe(first.count));
    const other = new Database(sessionPath(data, 1));
    other.exec('BEGIN IMMEDIATE');
    const second = canTrace({ seed: 2, seconds: 14, ids: 12, startUs: 1_000_100 });
    recorder.take({ kind: 'frames', batch: second });
    await eventually(() => expect(recorder.status()).toMatchObject({ state: 'slow', detail: expect.stringContaining('holds it locked') }));
    other.exec('COMMIT');
    other.close();
    await eventually(() => expect(recorder.figures.recordedFrames).toBe(first.count + second.count));
    await recorder.stop();
    expect(framesOf(1)).toEqual([...recordLines([{ kind: 'frames', batch: first }]), ...recordLines([{ kind: 'frames', batch: second }])]);
  });

  it('too slow for too long: frames are dropped, counted, and the gap is in the record', async () => {
    const recorder = await Recorder.open(data, testVehicle(), { queueBytesMax: 200_000 });
    recorder.take({ kind: 'frames', batch: canTrace({ seed: 1, seconds: 0.5, ids: 12, startUs: 1000 }) });
    await eventually(() => expect(recorder.figures.commits).toBeGreaterThan(0));
    const other = new Database(sessionPath(data, 1));
    other.exec('BEGIN IMMEDIATE');
    let taken = recorder.figures.recordedFrames;
    for (let k = 1; k < 12; k++) {
      const batch = canTrace({ seed: k, seconds: 1, ids: 40, startUs: k * 1_000_000 });
      taken += batch.count;
      recorder.take({ kind: 'frames', batch });
    }
    expect(recorder.figures.droppedFrames).toBeGreaterThan(0);
    other.exec('COMMIT');
    other.close();
    await eventually(() => expect(recorder.figures.queueBytes).toBe(0));
    const last = canTrace({ seed: 50, seconds: 0.1, ids: 12, startUs: 20_000_000 });
    taken += last.count;
    recorder.take({ kind: 'frames', batch: last });
    await recorder.stop();
    const file = SessionFile.open(data, 1);
    expect(file.facts.frames + recorder.figures.droppedFrames).toBe(taken);
    expect(file.facts.loss.queue).toBe(recorder.figures.droppedFrames);
    file.close();
  });

  it('with a damaged page is found damaged, and repair saves every part that can be read', async () => {
    const recorder = await Recorder.open(data, testVehicle());
    const batch = canTrace({ seed: 1, seconds: 45, ids: 24, startUs: 1000 });
    recorder.take({ kind: 'frames', batch });
    await recorder.stop();
    expect(checkSession(data, 1).damage).toEqual([]);
    // One slice's blob with a flipped bit, as a failing disk gives it back.
    const db = new Database(sessionPath(data, 1));
    const count = db.prepare('SELECT count(*) FROM slice').pluck().get() as number;
    const blob = db.prepare('SELECT inputs FROM slice WHERE id = 0').pluck().get() as Buffer;
    blob[blob.length >> 1] = (blob[blob.length >> 1] as number) ^ 8;
    db.prepare('UPDATE slice SET inputs = ? WHERE id = 0').run(blob);
    db.close();
    expect(checkSession(data, 1).damage.map(({ part }) => part)).toEqual(['slice 0']);
    expect(() => framesOf(1)).toThrow(/sessions.1\.sqlite/);
    const repaired = repairSession(data, 1, sessionPath(data, 7));
    expect(repaired.damage.map(({ part }) => part)).toEqual(['slice 0']);
    const file = SessionFile.open(data, 7);
    expect(file.facts.remarks.join()).toContain('slice 0');
    expect(file.db.prepare('SELECT count(*) FROM slice').pluck().get()).toBe(count - 1);
    file.close();
    expect(checkSession(data, 7).damage).toEqual([]);
  });

  it('that is no session, or one of a newer program, is told apart', () => {
    writeFileSync(join(data, 'x'), '');
    for (const [number, pragma] of [
      [1, 'application_id = 7'],
      [2, 'user_version = 99'],
    ] as const) {
      const recorderMade = new Database(join(data, `${number}.db`));
      recorderMade.pragma(`application_id = ${0x45427366}`);
      recorderMade.exec('CREATE TABLE session (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID');
      recorderMade.pragma(pragma);
      recorderMade.close();
    }
    const at = (number: number) => {
      spawnSync('mkdir', ['-p', join(data, 'sessions')]);
      spawnSync('cp', [join(data, `${number}.db`), sessionPath(data, number)]);
      return () => SessionFile.open(data, number);
    };
    expect(at(1)).toThrow('not a session of this program');
    expect(at(2)).toThrow('written by a newer version (format 99');
  });
});

describe('SQLite', () => {
  it.each([
    ['3.51.2', false],
    ['3.49.2', false],
    ['2.99.9', false],
    ['3.51.3', true],
    ['3.53.2', true],
    ['4.0.0', true],
  ])('%s is taken: %s', (version, isTaken) => {
    if (isTaken) expect(() => refuseOldSqlite(version)).not.toThrow();
    else expect(() => refuseOldSqlite(version)).toThrow('can damage files');
  });
});
