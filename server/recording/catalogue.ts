// The catalogue: what lists show of every session, so that a list opens no session file. Made again from the files whenever it is amiss.
import { existsSync, rmSync, statSync } from 'node:fs';
import type { SessionView } from '../contract/sessions.ts';
import { cataloguePath, sessionNumbers, sessionPath } from './data-folder.ts';
import { type Connection, openToRead, openToWrite } from './database.ts';
import { SessionFile } from './session-file.ts';

interface CatalogueRow {
  number: number;
  bytes: number;
  changedMs: number;
  summary: string;
}

/** What a list shows of one session, from its file. @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED */
export function summarize(data: string, session: number): SessionView {
  const file = SessionFile.open(data, session);
  try {
    return toSessionView(file);
  } finally {
    file.close();
  }
}

export function toSessionView(file: SessionFile): SessionView {
  const { facts, notes, path } = file;
  const seconds = facts.frames === 0 ? 0 : (facts.lastUs - facts.firstUs) / 1e6;
  const startedWallMs = Math.round(facts.startedWallMs ?? statSync(path).mtimeMs - seconds * 1000);
  return {
    session: file.session,
    vehicle: facts.vehicle,
    startedWallMs,
    endedWallMs: facts.state === 'open' ? null : Math.round(startedWallMs + seconds * 1000),
    state: facts.state,
    seconds,
    frames: facts.frames,
    bytes: statSync(path).size,
    pinned: notes.pinned,
    note: notes.note,
    origin: facts.origin,
  };
}

/**
 * Brings the catalogue in line with the session files: rows of files that came or changed are made, those of files that went are taken
 * away. A damaged catalogue is thrown away first. Only the process that holds the data folder does this.
 */
export function syncCatalogue(data: string): void {
  try {
    syncRows(data);
  } catch {
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${cataloguePath(data)}${suffix}`, { force: true });
    syncRows(data);
  }
}

function syncRows(data: string): void {
  const db = openToWrite(cataloguePath(data), 'catalogue');
  try {
    const known = new Map(readRows(db).map((row) => [row.number, row]));
    const put = db.prepare('INSERT OR REPLACE INTO session (number, file_bytes, file_changed_ms, summary) VALUES (?, ?, ?, ?)');
    const numbers = sessionNumbers(data);
    for (const number of numbers) {
      const { size, mtimeMs } = statSync(sessionPath(data, number));
      const row = known.get(number);
      known.delete(number);
      if (row?.bytes === size && row.changedMs === mtimeMs) continue;
      const summary = found(data, number);
      if (summary && summary.state !== 'open') put.run(number, size, mtimeMs, JSON.stringify(summary));
    }
    for (const gone of known.keys()) db.prepare('DELETE FROM session WHERE number = ?').run(gone);
    db.pragma('wal_checkpoint(TRUNCATE)');
  } finally {
    db.close();
  }
}

/** Undefined when the file can't be read: the list leaves it out, and its own page says why. */
function found(data: string, session: number): SessionView | undefined {
  try {
    return summarize(data, session);
  } catch {
    return undefined;
  }
}

function readRows(db: Connection): CatalogueRow[] {
  return db.prepare('SELECT number, file_bytes AS bytes, file_changed_ms AS changedMs, summary FROM session').all() as CatalogueRow[];
}

/** All sessions, newest first: from the catalogue where it is up to date, else from their files. */
export function listSessions(data: string): SessionView[] {
  const rows = new Map(catalogued(data).map((row) => [row.number, row]));
  const list: SessionView[] = [];
  for (const number of sessionNumbers(data).reverse()) {
    const { size, mtimeMs } = statSync(sessionPath(data, number));
    const row = rows.get(number);
    const isFresh = row?.bytes === size && row.changedMs === mtimeMs;
    const summary = isFresh ? (JSON.parse(row.summary) as SessionView) : found(data, number);
    if (summary) list.push(summary);
  }
  return list;
}

function catalogued(data: string): CatalogueRow[] {
  if (!existsSync(cataloguePath(data))) return [];
  try {
    const db = openToRead(cataloguePath(data), 'catalogue');
    try {
      return readRows(db);
    } finally {
      db.close();
    }
  } catch {
    // Damaged, or being made: the files say the same.
    return [];
  }
}
