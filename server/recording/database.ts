// Opens SQLite files with what we promise of them: which version, which settings, which application, and every error with its cure.
import Database from 'better-sqlite3';
import { EvenburnError } from '../errors.ts';
import { busyWaitMaxMs } from '../limits.ts';
import { applicationId, catalogueSteps, sessionSteps } from './schema.ts';

export type Connection = Database.Database;
/** A function prepared to run in a transaction of its own. */
export type Transaction<F extends (...args: never[]) => unknown> = Database.Transaction<F>;
export type FileKind = keyof typeof applicationId;

/** Before this one a file written and checkpointed by two connections at once could be damaged: sqlite.org/wal.html, the WAL-reset bug. */
const oldestSqlite = [3, 51, 3] as const;

const stepsOf: Record<FileKind, readonly string[]> = { session: sessionSteps, catalogue: catalogueSteps };

/** Version that this program writes. */
export function schemaVersion(kind: FileKind): number {
  return stepsOf[kind].length;
}

/** Version of the SQLite that comes with better-sqlite3. */
export function sqliteVersion(): string {
  const db = new Database(':memory:');
  try {
    return db.prepare('SELECT sqlite_version()').pluck().get() as string;
  } finally {
    db.close();
  }
}

/** @throws EvenburnError SQLITE_TOO_OLD */
export function refuseOldSqlite(version: string): void {
  const parts = version.split('.').map(Number);
  for (const [i, needed] of oldestSqlite.entries()) {
    const have = parts[i] ?? 0;
    if (have > needed) return;
    if (have < needed) throw new EvenburnError('SQLITE_TOO_OLD', { version, needed: oldestSqlite.join('.') });
  }
}

/**
 * Opens a file to write, making it when absent, and brings its tables forward. There is at most one such connection to a session
 * file at a time.
 *
 * - `journal_mode = WAL`: a commit is one append; readers don't wait for the writer nor it for them.
 * - `synchronous = FULL`: a commit is on the disk when it returns, so that a power cut loses no more than a kill does.
 * - `wal_autocheckpoint = 0`: the writer moves the log into the file when it has time, never within a commit.
 * - `page_size = 8192`: what a commit adds at usual loads fits one page.
 * - `auto_vacuum = INCREMENTAL`: what the journal leaves free is given back when the session closes.
 *
 * @throws EvenburnError DATA_UNWRITABLE, SESSION_DAMAGED, SESSION_TOO_NEW, SQLITE_TOO_OLD
 */
export function openToWrite(path: string, kind: FileKind): Connection {
  return guarded(path, () => {
    const db = new Database(path, { timeout: busyWaitMaxMs });
    return configured(db, () => {
      // Before anything is set: a file of a newer program, or of another one, is left as it is.
      if (!isEmpty(db)) refuseForeign(db, path, kind);
      db.pragma('page_size = 8192');
      db.pragma('auto_vacuum = INCREMENTAL');
      db.pragma('journal_mode = WAL');
      db.pragma('synchronous = FULL');
      db.pragma('wal_autocheckpoint = 0');
      db.pragma('journal_size_limit = 67108864');
      migrate(db, path, kind);
    });
  });
}

/**
 * Opens a closed session to change what people say of it: a small change needs no log beside the file.
 * @throws EvenburnError DATA_UNWRITABLE, SESSION_DAMAGED, SESSION_TOO_NEW, SQLITE_TOO_OLD
 */
export function openToEdit(path: string): Connection {
  return guarded(path, () => {
    const db = new Database(path, { fileMustExist: true, timeout: busyWaitMaxMs });
    return configured(db, () => {
      db.pragma('synchronous = FULL');
      migrate(db, path, 'session');
    });
  });
}

/**
 * Opens a file to read; never holds a transaction across calls, so that the writer's log can be moved into the file. A file of an earlier
 * version is brought forward first.
 * @throws EvenburnError DATA_UNWRITABLE, SESSION_DAMAGED, SESSION_TOO_NEW, SQLITE_TOO_OLD
 */
export function openToRead(path: string, kind: FileKind): Connection {
  const read = (): Connection => {
    const db = new Database(path, { readonly: true, fileMustExist: true, timeout: busyWaitMaxMs });
    return configured(db, () => refuseForeign(db, path, kind));
  };
  return guarded(path, () => {
    const db = read();
    if (version(db) === schemaVersion(kind)) return db;
    db.close();
    const older = new Database(path, { fileMustExist: true, timeout: busyWaitMaxMs });
    configured(older, () => migrate(older, path, kind)).close();
    return read();
  });
}

/**
 * Refuses a file whose tables aren't exactly ours: one that was handed over may lack some, or hold triggers, views and conditions that
 * would run whenever it is read or written.
 * @param path Named in the error.
 * @throws EvenburnError SESSION_DAMAGED
 */
export function refuseOtherTables(db: Connection, path: string, kind: FileKind): void {
  const ours = new Database(':memory:');
  try {
    for (const step of stepsOf[kind]) ours.exec(step);
    const wanted = tablesOf(ours);
    const found = tablesOf(db);
    const wrong = [...found.keys()].find((what) => !wanted.has(what)) ?? [...wanted].find(([what, sql]) => found.get(what) !== sql)?.[0];
    if (wrong === undefined) return;
    const why = !wanted.has(wrong)
      ? `it holds a ${wrong}, which no session has`
      : `its ${wrong} is ${found.has(wrong) ? 'not as this program makes it' : 'missing'}`;
    throw new EvenburnError('SESSION_DAMAGED', { path, why });
  } finally {
    ours.close();
  }
}

/** `table slice` → how it was made. SQLite's own are left out. */
function tablesOf(db: Connection): Map<string, string> {
  const rows = db
    .prepare("SELECT type || ' ' || name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'")
    .raw();
  return new Map(rows.all() as [string, string][]);
}

function configured(db: Connection, configure: () => void): Connection {
  try {
    refuseOldSqlite(db.prepare('SELECT sqlite_version()').pluck().get() as string);
    configure();
    return db;
  } catch (error) {
    db.close();
    throw error;
  }
}

/** Brings the tables forward in one transaction, so that a kill leaves the old version or the new one. */
function migrate(db: Connection, path: string, kind: FileKind): void {
  const steps = stepsOf[kind];
  db.transaction(() => {
    if (isEmpty(db)) db.pragma(`application_id = ${applicationId[kind]}`);
    else refuseForeign(db, path, kind);
    for (let v = version(db); v < steps.length; v++) db.exec(steps[v] as string);
    db.pragma(`user_version = ${steps.length}`);
  }).immediate();
}

function isEmpty(db: Connection): boolean {
  return db.prepare('SELECT count(*) FROM sqlite_schema').pluck().get() === 0;
}

function version(db: Connection): number {
  return db.pragma('user_version', { simple: true }) as number;
}

function refuseForeign(db: Connection, path: string, kind: FileKind): void {
  if (db.pragma('application_id', { simple: true }) !== applicationId[kind]) {
    throw new EvenburnError('SESSION_DAMAGED', { path, why: 'not a session of this program' });
  }
  const have = version(db);
  if (have > stepsOf[kind].length) throw new EvenburnError('SESSION_TOO_NEW', { path, have, know: stepsOf[kind].length });
}

/** Runs work on a file and names what the machine refused. */
export function guarded<T>(path: string, work: () => T): T {
  try {
    return work();
  } catch (error) {
    throw named(error, path);
  }
}

/** SQLite's own error as one of ours with a cure; any other error as it is. */
export function named(error: unknown, path: string): unknown {
  if (error instanceof TypeError && error.message.includes('directory does not exist')) {
    return new EvenburnError('DATA_UNWRITABLE', { path, why: 'its folder does not exist' }, error);
  }
  if (!(error instanceof Database.SqliteError)) return error;
  const { code } = error;
  if (code === 'SQLITE_FULL') return new EvenburnError('DISK_FULL', { path }, error);
  if (code.startsWith('SQLITE_CORRUPT') || code === 'SQLITE_NOTADB') {
    return new EvenburnError('SESSION_DAMAGED', { path, why: error.message }, error);
  }
  if (code.startsWith('SQLITE_BUSY') || code.startsWith('SQLITE_LOCKED')) return new EvenburnError('DATABASE_LOCKED', { path }, error);
  return new EvenburnError('DATA_UNWRITABLE', { path, why: `${error.message} (${code})` }, error);
}

/**
 * Moves the write-ahead log into the file and leaves that mode, so that the session is one file; then closes.
 * @param alone Called before closing when no other connection holds the file.
 */
export function closeAsOneFile(db: Connection, alone?: () => void): void {
  try {
    db.pragma('incremental_vacuum');
    db.pragma('wal_checkpoint(TRUNCATE)');
    // Refused while another connection reads; the file is complete either way, with its log beside it.
    if (db.pragma('journal_mode = DELETE', { simple: true }) === 'delete') alone?.();
  } catch (error) {
    if (!(error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY'))) throw error;
  } finally {
    db.close();
  }
}
