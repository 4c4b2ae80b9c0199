// The data folder: where session files and the catalogue lie, which number comes next, and that one server alone records into it.
import { randomUUID } from 'node:crypto';
import {
  existsSync,
  linkSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statfsSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { dirname, join } from 'node:path';
import Database from 'better-sqlite3';
import { EvenburnError } from '../errors.ts';
import type { Connection } from './database.ts';

const sessionName = /^(\d+)\.sqlite$/;

export function sessionsFolder(data: string): string {
  return join(data, 'sessions');
}

/** Deleted sessions wait here until they are purged, so that a delete can be undone. */
export function deletedFolder(data: string): string {
  return join(data, 'deleted');
}

export function sessionPath(data: string, session: number): string {
  return join(sessionsFolder(data), `${session}.sqlite`);
}

export function deletedPath(data: string, session: number): string {
  return join(deletedFolder(data), `${session}.sqlite`);
}

export function cataloguePath(data: string): string {
  return join(data, 'catalogue.sqlite');
}

/**
 * Makes a folder and those above it where they are absent. Node's own `recursive` never comes back where the system says ENOENT to every new
 * folder, as in /proc. Throws the file system's error.
 */
export function makeFolder(folder: string): void {
  if (!existsSync(dirname(folder))) makeFolder(dirname(folder));
  try {
    mkdirSync(folder);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== 'EEXIST' || !statSync(folder).isDirectory()) throw error;
  }
}

/** Makes the folder where it is absent. @throws EvenburnError DATA_UNWRITABLE */
export function makeDataFolder(data: string): void {
  try {
    makeFolder(sessionsFolder(data));
    makeFolder(deletedFolder(data));
  } catch (error) {
    throw new EvenburnError('DATA_UNWRITABLE', { path: data, why: (error as Error).message }, error);
  }
}

/** Numbers of the sessions there are, ascending. Empty when the folder doesn't exist. */
export function sessionNumbers(data: string): number[] {
  return numbersIn(sessionsFolder(data));
}

export function deletedNumbers(data: string): number[] {
  return numbersIn(deletedFolder(data));
}

function numbersIn(folder: string): number[] {
  if (!existsSync(folder)) return [];
  const found = readdirSync(folder).map((name) => Number(sessionName.exec(name)?.[1] ?? Number.NaN));
  return found.filter(Number.isSafeInteger).sort((a, b) => a - b);
}

/** Takes the next session number by making its file, empty: two programs never take the same one. */
export function takeSessionNumber(data: string): { session: number; path: string } {
  for (let session = nextNumber(data); ; session++) {
    const path = sessionPath(data, session);
    try {
      writeFileSync(path, '', { flag: 'wx' });
      return { session, path };
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException;
      if (code === 'EEXIST') continue;
      if (code === 'ENOSPC') throw new EvenburnError('DISK_FULL', { path }, error);
      throw new EvenburnError('DATA_UNWRITABLE', { path, why: message }, error);
    }
  }
}

/** Where a session is made before it gets its number. Several programs may make one at the same time. */
export function draftPath(data: string): string {
  return join(sessionsFolder(data), `.draft-${randomUUID()}.sqlite`);
}

/**
 * Gives a finished file the next number. Another program may be doing the same: nobody's file is ever replaced.
 * @throws EvenburnError DATA_UNWRITABLE
 */
export function addSessionFile(data: string, draft: string): number {
  for (let session = nextNumber(data); ; session++) {
    try {
      linkSync(draft, sessionPath(data, session));
      rmSync(draft);
      return session;
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException;
      if (code === 'EEXIST') continue;
      if (code !== 'EPERM' && code !== 'ENOSYS' && code !== 'ENOTSUP') {
        throw new EvenburnError('DATA_UNWRITABLE', { path: sessionPath(data, session), why: message }, error);
      }
    }
    // A disk without links (FAT): take the number with an empty file, then put the finished one in its place.
    const taken = takeSessionNumber(data);
    renameSync(draft, taken.path);
    return taken.session;
  }
}

/** Numbers of deleted sessions are not used again while they can come back. */
function nextNumber(data: string): number {
  return Math.max(0, ...sessionNumbers(data), ...deletedNumbers(data)) + 1;
}

/** Bytes that are free for us on the folder's disk. */
export function freeBytes(data: string): number {
  const { bavail, bsize } = statfsSync(data);
  return bavail * bsize;
}

/** Holds the folder for one recording server. The operating system lets go when the process ends, however it ends. */
export class DataFolderLock {
  private readonly db: Connection;
  private readonly pidPath: string;

  private constructor(db: Connection, pidPath: string) {
    this.db = db;
    this.pidPath = pidPath;
  }

  /** @throws EvenburnError DATA_IN_USE, DATA_UNWRITABLE */
  static take(data: string): DataFolderLock {
    makeDataFolder(data);
    const pidPath = join(data, 'server.pid');
    let db: Connection | undefined;
    try {
      db = new Database(join(data, 'server.lock'), { timeout: 0 });
      db.exec('BEGIN EXCLUSIVE');
      writeFileSync(pidPath, `${process.pid}\n`);
      return new DataFolderLock(db, pidPath);
    } catch (error) {
      db?.close();
      if (error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY')) {
        throw new EvenburnError('DATA_IN_USE', { path: data, pid: pidIn(pidPath) }, error);
      }
      throw new EvenburnError('DATA_UNWRITABLE', { path: data, why: (error as Error).message }, error);
    }
  }

  release(): void {
    rmSync(this.pidPath, { force: true });
    this.db.close();
  }
}

function pidIn(path: string): string {
  try {
    return readFileSync(path, 'utf8').trim();
  } catch {
    return 'unknown';
  }
}
