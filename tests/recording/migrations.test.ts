// Files of every version that there was are read, and brought forward whole or not at all; what their steps were never changes.
import { createHash } from 'node:crypto';
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gunzipSync } from 'node:zlib';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { listSessions, syncCatalogue } from '../../server/recording/catalogue.ts';
import { cataloguePath, makeDataFolder, sessionPath } from '../../server/recording/data-folder.ts';
import { openToRead, openToWrite, schemaVersion } from '../../server/recording/database.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { checkSession } from '../../server/recording/repair.ts';
import { rereadSession } from '../../server/recording/reread.ts';
import { applicationId, catalogueSteps, sessionSteps } from '../../server/recording/schema.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { oldInputs, oldVehicle } from './old-session.ts';
import { recordLines } from './record-lines.ts';

/** From here on this is a program of the next version: one more step than there is. */
function addStep(sql: string): void {
  (sessionSteps as string[]).push(sql);
}

function takeStepsBack(): void {
  (sessionSteps as string[]).length = stepsNow;
}

const stepsNow = sessionSteps.length;
const fixtures = new URL('../fixtures/sessions/', import.meta.url);
const versionsKept = readdirSync(fixtures).map((name) => Number(/^version-(\d+)\.sqlite\.gz$/.exec(name)?.[1]));

let data: string;
beforeEach(() => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-migrations-'));
  makeDataFolder(data);
});
afterEach(() => {
  takeStepsBack();
  rmSync(data, { recursive: true, force: true });
});

function placeSession(version: number): void {
  writeFileSync(sessionPath(data, 1), gunzipSync(readFileSync(new URL(`version-${version}.sqlite.gz`, fixtures))));
}

/** `wander_0` of the trace, worked out by hand: bytes 0 and 1 of id 0x100 on bus 0, times 0.1 (later 0.2), less 50. */
function wanderOf(seed: number, startUs: number, factor: number): { us: number; value: number }[] {
  const trace = canTrace({ seed, seconds: 2, ids: 5, buses: 2, startUs });
  const found: { us: number; value: number }[] = [];
  for (let i = 0; i < trace.count; i++) {
    const bytes = trace.bytesOf(i);
    const raw = (bytes[0] as number) * 256 + (bytes[1] as number);
    if (trace.id[i] === 0x100) found.push({ us: trace.timeUs[i] as number, value: raw * factor - 50 });
  }
  return found;
}

function checkContent(file: SessionFile): void {
  expect(file.notes).toMatchObject({ name: 'Evening one', tags: ['dyno'], pinned: true });
  expect(file.facts).toMatchObject({ state: 'closed', vehicle: 'Teal', hash: oldVehicle().hash, loss: { 'before-reader': 17 } });
  const sent = recordLines(oldInputs());
  // The recorder's heading says again what came before the first frame.
  expect(recordLines(file.record()).slice(-sent.length + 2)).toEqual(sent.slice(2));
  const reading = new ReadingFile(file, 1);
  const got = [...reading.samples(reading.channel('wander_0').id)].flatMap(({ timeUs, value, quality }) =>
    Array.from(timeUs, (us, i) => ({ us, value: value[i], quality: quality[i] })),
  );
  const expected = [...wanderOf(1, 20_000, 0.1), ...wanderOf(2, 6_200_000, 0.2)];
  expect(got.filter(({ quality }) => quality === 0).map(({ us, value }) => ({ us, value }))).toEqual(expected);
}

describe('the steps that make a file', () => {
  it.each([
    ['session 1', sessionSteps[0], 'c7a613307da478b3'],
    ['catalogue 1', catalogueSteps[0], '6a6c7c932b9483ca'],
    ['catalogue 2', catalogueSteps[1], '123581cdd2d3b29d'],
  ])('%s never changes', (_name, step, digest) => {
    const statements = (step ?? '').replace(/--.*/g, '').replace(/\s+/g, ' ').trim();
    expect(createHash('sha256').update(statements).digest('hex').slice(0, 16)).toBe(digest);
  });

  it('are covered: there is a file of every version of a session', () => {
    expect(versionsKept.sort()).toEqual(Array.from({ length: schemaVersion('session') }, (_, i) => i + 1));
    expect(catalogueSteps).toHaveLength(2);
  });
});

describe.each(versionsKept)('a session of version %i', (version) => {
  it('is listed, read, found sound and read again', async () => {
    placeSession(version);
    expect(listSessions(data)).toMatchObject([{ session: 1, name: 'Evening one', state: 'closed' }]);
    const file = SessionFile.open(data, 1);
    checkContent(file);
    file.close();
    expect(checkSession(data, 1).damage).toEqual([]);
    expect(await rereadSession(data, 1, { nowWallMs: 0 })).toBe(2);
  });

  it('is brought forward by the next version of the program whoever opens it first, nothing lost', () => {
    for (const open of [
      () => SessionFile.open(data, 1).close(),
      () => openToWrite(sessionPath(data, 1), 'session').close(),
      () => listSessions(data),
    ]) {
      placeSession(version);
      addStep('ALTER TABLE alarm ADD COLUMN seen TEXT; CREATE TABLE more (id INTEGER PRIMARY KEY);');
      open();
      const file = SessionFile.open(data, 1);
      expect(file.db.pragma('user_version', { simple: true })).toBe(stepsNow + 1);
      expect(file.db.prepare('SELECT count(*) FROM alarm WHERE seen IS NULL').pluck().get()).toBeGreaterThan(0);
      checkContent(file);
      file.close();
      expect(checkSession(data, 1).damage).toEqual([]);
      // The program of before says what it can't read, and changes nothing.
      takeStepsBack();
      const before = readFileSync(sessionPath(data, 1));
      expect(() => SessionFile.open(data, 1)).toThrow(`written by a newer version (format ${stepsNow + 1}`);
      expect(() => openToWrite(sessionPath(data, 1), 'session')).toThrow(expect.objectContaining({ code: 'SESSION_TOO_NEW' }));
      expect(listSessions(data)).toEqual([]);
      expect(readFileSync(sessionPath(data, 1)).equals(before)).toBe(true);
    }
  });

  it('stays as it was when a step fails half-way', () => {
    placeSession(version);
    const before = readFileSync(sessionPath(data, 1));
    addStep('CREATE TABLE more (id INTEGER PRIMARY KEY); INSERT INTO no_such_table VALUES (1);');
    expect(() => SessionFile.open(data, 1)).toThrow();
    takeStepsBack();
    expect(readFileSync(sessionPath(data, 1)).equals(before)).toBe(true);
    const file = SessionFile.open(data, 1);
    checkContent(file);
    file.close();
  });
});

describe('a catalogue', () => {
  it.each(Array.from({ length: catalogueSteps.length + 1 }, (_, version) => version))(
    'of version %i is brought forward and says what the files say',
    (version) => {
      placeSession(versionsKept.at(-1) as number);
      const listed = listSessions(data);
      if (version > 0) {
        const db = new Database(cataloguePath(data));
        for (const step of catalogueSteps.slice(0, version)) db.exec(step);
        db.pragma(`application_id = ${applicationId.catalogue}`);
        db.pragma(`user_version = ${version}`);
        const table = version === 1 ? 'session' : 'summary';
        db.prepare(`INSERT INTO ${table} VALUES (9, 1, 1, '{}')`).run();
        db.close();
      }
      expect(listSessions(data)).toEqual(listed);
      syncCatalogue(data);
      const db = openToRead(cataloguePath(data), 'catalogue');
      expect(db.pragma('user_version', { simple: true })).toBe(catalogueSteps.length);
      expect(db.prepare('SELECT number FROM summary').pluck().all()).toEqual([1]);
      db.close();
      expect(listSessions(data)).toEqual(listed);
    },
  );

  it('of a newer program is thrown away: it only repeats what the files say', () => {
    placeSession(versionsKept.at(-1) as number);
    const db = new Database(cataloguePath(data));
    db.pragma(`application_id = ${applicationId.catalogue}`);
    db.pragma('user_version = 99');
    db.close();
    syncCatalogue(data);
    expect(listSessions(data)).toMatchObject([{ session: 1 }]);
  });
});
