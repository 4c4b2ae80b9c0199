// The catalogue: what lists show of every session, so that a list opens no session file. Made again from the files whenever it is amiss.
import { existsSync, rmSync, statSync } from 'node:fs';
import type { SessionView } from '../contract/sessions.ts';
import { cataloguePath, sessionNumbers, sessionPath } from './data-folder.ts';
import { type Connection, openToRead, openToWrite } from './database.ts';
import { ReadingFile } from './reading-file.ts';
import { SessionFile } from './session-file.ts';

interface CatalogueRow {
  number: number;
  bytes: number;
  changedMs: number;
  summary: string;
}

/** What is kept of a session so that a list opens no file: what it shows, and what it is found by. */
export interface Summary {
  view: SessionView;
  channels: string[];
}

/** What a list shows of one session, from its file. @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED */
export function summarize(data: string, session: number): Summary {
  const file = SessionFile.open(data, session);
  try {
    const reading = new ReadingFile(file, file.shownReading);
    return { view: { ...toSessionView(file), spark: sparkOf(file, reading) }, channels: reading.channels.map(({ name }) => name) };
  } finally {
    file.close();
  }
}

/** Wall time of the first frame; where it isn't known, what the file's own time leaves. */
export function startedWallMsOf({ facts, path }: SessionFile): number {
  const seconds = facts.frames === 0 ? 0 : (facts.lastUs - facts.firstUs) / 1e6;
  return Math.round(facts.startedWallMs ?? statSync(path).mtimeMs - seconds * 1000);
}

/** Without the line of the list, and pulls not counted. */
export function toSessionView(file: SessionFile): SessionView {
  const { facts, notes, path } = file;
  const { frames, firstUs, lastUs, loss } = facts;
  const seconds = frames === 0 ? 0 : (lastUs - firstUs) / 1e6;
  const startedWallMs = startedWallMsOf(file);
  return {
    session: file.session,
    vehicle: facts.vehicle,
    startedWallMs,
    endedWallMs: facts.state === 'open' ? null : Math.round(startedWallMs + seconds * 1000),
    state: facts.state,
    seconds,
    frames,
    bytes: statSync(path).size,
    ...notes,
    origin: facts.origin,
    alarms: facts.alarms,
    lost: loss.adapter + loss['before-reader'] + loss.queue,
    pulls: null,
    spark: null,
  };
}

const sparkBins = 60;

/** Engine speed, or the first channel with a unit, over all of the session. */
function sparkOf(file: SessionFile, reading: ReadingFile): SessionView['spark'] {
  const { firstUs, lastUs } = file.facts;
  const { channels } = reading;
  const speed = file.reading(() => file.vehicle.engine?.roles.speed);
  const found =
    channels.find(({ name }) => name === speed) ??
    channels.find(({ unit, about }) => unit !== '' && about.kind === 'signal') ??
    channels[0];
  if (!found || lastUs <= firstUs) return null;
  const [trace] = reading.window({ channels: [found.name], fromUs: firstUs, toUs: lastUs, pixels: sparkBins }).traces;
  if (!trace) return null;
  const bins = Array.from(trace.numbers, (count, i): [number, number] | null =>
    count === 0 ? null : [trace.min[i] as number, trace.max[i] as number],
  );
  return { channel: found.name, bins };
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
    const put = db.prepare('INSERT OR REPLACE INTO summary (number, file_bytes, file_changed_ms, summary) VALUES (?, ?, ?, ?)');
    const numbers = sessionNumbers(data);
    for (const number of numbers) {
      const { size, mtimeMs } = statSync(sessionPath(data, number));
      const row = known.get(number);
      known.delete(number);
      if (row?.bytes === size && row.changedMs === mtimeMs) continue;
      const summary = found(data, number);
      if (summary && summary.view.state !== 'open') put.run(number, size, mtimeMs, JSON.stringify(summary));
    }
    for (const gone of known.keys()) db.prepare('DELETE FROM summary WHERE number = ?').run(gone);
    db.pragma('wal_checkpoint(TRUNCATE)');
  } finally {
    db.close();
  }
}

/** Undefined when the file can't be read: the list leaves it out, and its own page says why. */
function found(data: string, session: number): Summary | undefined {
  try {
    return summarize(data, session);
  } catch {
    return undefined;
  }
}

function readRows(db: Connection): CatalogueRow[] {
  return db.prepare('SELECT number, file_bytes AS bytes, file_changed_ms AS changedMs, summary FROM summary').all() as CatalogueRow[];
}

/** All sessions, newest first: from the catalogue where it is up to date, else from their files. */
export function listSummaries(data: string): Summary[] {
  const rows = new Map(catalogued(data).map((row) => [row.number, row]));
  const list: Summary[] = [];
  for (const number of sessionNumbers(data).reverse()) {
    const { size, mtimeMs } = statSync(sessionPath(data, number));
    const row = rows.get(number);
    const isFresh = row?.bytes === size && row.changedMs === mtimeMs;
    const summary = isFresh ? (JSON.parse(row.summary) as Summary) : found(data, number);
    if (summary) list.push(summary);
  }
  return list;
}

/** As pages list them. */
export function listSessions(data: string): SessionView[] {
  return listSummaries(data).map(({ view }) => view);
}

/** Whether every word of a search stands in what is known of a session (`sessionsQuery`). */
export function matchesSearch({ view, channels }: Summary, search: string): boolean {
  const { session, name, note, vehicle, origin, tags, startedWallMs, conditions, marks } = view;
  const said = [
    session,
    name,
    note,
    vehicle,
    origin,
    toDay(startedWallMs),
    ...tags,
    ...Object.entries(conditions).flat(),
    ...marks.map((mark) => mark.text),
    ...channels,
  ];
  const text = said.join('\n').toLowerCase();
  const words = search.toLowerCase().split(/\s+/).filter(Boolean);
  return words.every((word) => text.includes(word));
}

/** `2026-05-17 09:30`, in the time zone of this computer. */
function toDay(wallMs: number): string {
  const date = new Date(wallMs);
  const two = (n: number): string => String(n).padStart(2, '0');
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${two(date.getHours())}:${two(date.getMinutes())}`;
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
