// What people do to stored sessions: name, note, tags, pin; delete and undo; which reading is shown; keeping the folder within its bounds.
import { existsSync, renameSync, rmSync, statSync, utimesSync } from 'node:fs';
import { machineClock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import { deletedNumbers, deletedPath, makeDataFolder, sessionNumbers, sessionPath } from './data-folder.ts';
import { type Connection, guarded, openToEdit } from './database.ts';
import { readFacts, readNotes, type SessionNotes, writeNotes, writeShownReading } from './session-facts.ts';
import { SessionFile } from './session-file.ts';

/** Changes what people wrote about a session; what isn't named stays. @throws EvenburnError SESSION_UNKNOWN, SESSION_RECORDING */
export function editNotes(data: string, session: number, change: Partial<SessionNotes>): SessionNotes {
  return withClosed(data, session, (db) => {
    const notes = { ...readNotes(db), ...change };
    writeNotes(db, notes);
    return notes;
  });
}

/** From now on pages and exports show this reading. @throws EvenburnError SESSION_UNKNOWN, SESSION_RECORDING, READING_UNKNOWN */
export function showReading(data: string, session: number, reading: number): void {
  withClosed(data, session, (db) => {
    const known = db.prepare('SELECT count(*) FROM reading WHERE id = ?').pluck().get(reading);
    if (known !== 1) throw new EvenburnError('READING_UNKNOWN', { session, reading });
    writeShownReading(db, reading);
  });
}

function withClosed<T>(data: string, session: number, work: (db: Connection) => T): T {
  const path = existingPath(data, session);
  const db = openToEdit(path);
  try {
    return guarded(path, () => {
      if (readFacts(db)?.state === 'open') throw new EvenburnError('SESSION_RECORDING', { session });
      return db.transaction(() => work(db)).immediate();
    });
  } finally {
    db.close();
  }
}

function existingPath(data: string, session: number): string {
  const path = sessionPath(data, session);
  if (!existsSync(path) || statSync(path).size === 0) throw new EvenburnError('SESSION_UNKNOWN', { session });
  return path;
}

/** Puts a session aside; `undelete` brings it back until it is purged. @throws EvenburnError SESSION_UNKNOWN, SESSION_RECORDING */
export function deleteSession(data: string, session: number): void {
  const path = existingPath(data, session);
  if (stateOf(data, session) === 'open') throw new EvenburnError('SESSION_RECORDING', { session });
  makeDataFolder(data);
  move(path, deletedPath(data, session));
  // The file's time says since when it has been waiting.
  const nowS = machineClock.wallMs() / 1000;
  utimesSync(deletedPath(data, session), nowS, nowS);
}

/** @throws EvenburnError SESSION_UNKNOWN when it isn't waiting any more */
export function undeleteSession(data: string, session: number): void {
  const path = deletedPath(data, session);
  if (!existsSync(path)) throw new EvenburnError('SESSION_UNKNOWN', { session });
  move(path, sessionPath(data, session));
}

/** Does away with sessions that were deleted before a wall time; returns their numbers. */
export function purgeDeleted(data: string, beforeWallMs: number): number[] {
  const gone = deletedNumbers(data).filter((session) => statSync(deletedPath(data, session)).mtimeMs < beforeWallMs);
  for (const session of gone) for (const suffix of ['', '-wal', '-shm']) rmSync(`${deletedPath(data, session)}${suffix}`, { force: true });
  return gone;
}

export interface Retention {
  /** All sessions together take at most this. */
  bytesMax?: number;
  /** Sessions that began before this wall time go. */
  beforeWallMs?: number;
}

/** Deletes the oldest sessions until the folder is within its bounds; pinned and open ones are never touched. Returns what went. */
export function retain(data: string, { bytesMax = Number.POSITIVE_INFINITY, beforeWallMs = 0 }: Retention): number[] {
  const kept = sessionNumbers(data).map((session) => ({ session, bytes: statSync(sessionPath(data, session)).size }));
  let bytes = kept.reduce((sum, one) => sum + one.bytes, 0);
  const gone: number[] = [];
  for (const one of kept) {
    const about = lookAt(data, one.session);
    if (!about || about.pinned || about.state === 'open') continue;
    const isOld = about.startedWallMs !== null && about.startedWallMs < beforeWallMs;
    if (!isOld && bytes <= bytesMax) continue;
    deleteSession(data, one.session);
    gone.push(one.session);
    bytes -= one.bytes;
  }
  return gone;
}

function stateOf(data: string, session: number): string | undefined {
  return lookAt(data, session)?.state;
}

/** Undefined when the file can't be read: then it is not ours to judge. */
function lookAt(data: string, session: number): { state: string; pinned: boolean; startedWallMs: number | null } | undefined {
  try {
    const file = SessionFile.open(data, session);
    try {
      return { state: file.facts.state, pinned: file.notes.pinned, startedWallMs: file.facts.startedWallMs };
    } finally {
      file.close();
    }
  } catch {
    return undefined;
  }
}

function move(from: string, to: string): void {
  for (const suffix of ['-wal', '-shm', '']) if (existsSync(`${from}${suffix}`)) renameSync(`${from}${suffix}`, `${to}${suffix}`);
}
