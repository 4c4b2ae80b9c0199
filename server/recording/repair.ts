// Checks a session file part by part, and saves every part that can be read into a new one.
import { existsSync, rmSync } from 'node:fs';
import Database from 'better-sqlite3';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { decodeBins } from './bins.ts';
import { decodeChunk, decodeTimes } from './chunk.ts';
import { type Connection, closeAsOneFile, openToWrite } from './database.ts';
import { InputLog } from './input-log.ts';
import { visitJournal } from './journal.ts';
import { readFacts, type SessionFacts, startingFacts, writeFacts, writeFactsNow } from './session-facts.ts';
import { SessionFile } from './session-file.ts';
import { decodeSlice } from './slice.ts';

/** A part that can't be read. */
export interface Damage {
  part: string;
  why: string;
}

export interface Integrity {
  /** Slices, journal rows, chunks, bins that were read. */
  parts: number;
  damage: Damage[];
}

// Checking needs no meaning of definition sets, only that each entry can be read.
const anyVehicle = (hash: string): Vehicle => ({ hash, name: '' }) as Vehicle;

/** Reads everything in a session file: the database's own check, then each blob with its checksum. Never throws for what it finds. */
export function checkSession(data: string, session: number): Integrity {
  const integrity: Integrity = { parts: 0, damage: [] };
  let file: SessionFile;
  try {
    file = SessionFile.open(data, session);
  } catch (error) {
    if (error instanceof EvenburnError && error.code === 'SESSION_UNKNOWN') throw error;
    integrity.damage.push({ part: 'the file', why: (error as Error).message });
    return integrity;
  }
  try {
    checkDatabase(file.db, integrity);
    for (const { table, read } of tables) checkTable(file.db, table, read, integrity);
  } finally {
    file.close();
  }
  return integrity;
}

function checkDatabase(db: Connection, integrity: Integrity): void {
  try {
    const lines = db.pragma('integrity_check(20)') as { integrity_check: string }[];
    for (const { integrity_check: why } of lines) if (why !== 'ok') integrity.damage.push({ part: 'the database', why });
  } catch (error) {
    integrity.damage.push({ part: 'the database', why: (error as Error).message });
  }
}

interface Row {
  id: number;
  data: Buffer;
}

/** Tables of blobs, and what reading one row means; it throws when the row is damaged. */
const tables: { table: string; key: string; data: string; read: (row: Row, db: Connection) => void }[] = [
  { table: 'slice', key: 'id', data: 'inputs', read: ({ data }) => void decodeSlice(data, anyVehicle) },
  { table: 'journal', key: 'id', data: 'inputs', read: ({ data }) => visitJournal(data, anyVehicle, new InputLog()) },
  { table: 'times', key: 'key', data: 'data', read: ({ data }) => void decodeTimes(data) },
  { table: 'chunk', key: 'key', data: 'data', read: ({ id, data }, db) => readChunk(id, data, db) },
  { table: 'bins', key: 'key', data: 'data', read: ({ data }) => void decodeBins(data) },
];

function readChunk(key: number, data: Buffer, db: Connection): void {
  const columns = 65_536;
  decodeChunk(data, (group) => {
    const times = db
      .prepare('SELECT data FROM times WHERE key = ?')
      .pluck()
      .get(Math.floor(key / columns) * columns + group) as Buffer | undefined;
    if (!times) throw new RangeError('its times are not there');
    return decodeTimes(times);
  });
}

function checkTable(db: Connection, table: string, read: (row: Row, db: Connection) => void, integrity: Integrity): void {
  for (const row of rowsOf(db, table, integrity.damage)) {
    integrity.parts++;
    try {
      read(row, db);
    } catch (error) {
      integrity.damage.push({ part: `${table} ${row.id}`, why: (error as Error).message });
    }
  }
}

/** The rows of a table one by one; where a page is damaged, goes on behind it, and from the other end. */
function* rowsOf(db: Connection, table: string, damage: Damage[]): Generator<Row> {
  const { key, data } = tables.find((one) => one.table === table) as (typeof tables)[number];
  const next = (after: number, order: 'ASC' | 'DESC'): Row | undefined =>
    db
      .prepare(
        `SELECT ${key} AS id, ${data} AS data FROM ${table} WHERE ${key} ${order === 'ASC' ? '>' : '<'} ? ORDER BY ${key} ${order} LIMIT 1`,
      )
      .get(after) as Row | undefined;
  let last = Number.MIN_SAFE_INTEGER;
  try {
    for (let row = next(last, 'ASC'); row; row = next(last, 'ASC')) {
      last = row.id;
      yield row;
    }
  } catch (error) {
    damage.push({ part: `${table} behind ${last}`, why: (error as Error).message });
    yield* rowsFromEnd(next, last);
  }
}

function* rowsFromEnd(next: (after: number, order: 'ASC' | 'DESC') => Row | undefined, until: number): Generator<Row> {
  let first = Number.MAX_SAFE_INTEGER;
  try {
    for (let row = next(first, 'DESC'); row && row.id > until; row = next(first, 'DESC')) {
      first = row.id;
      yield row;
    }
  } catch {
    // The damaged stretch, from its other side; it has been named.
  }
}

export interface Repaired {
  saved: number;
  damage: Damage[];
}

/**
 * Writes all that can be read of a session into a new session file at `path`: definitions, slices and journal of the record, readings as
 * far as they go. What is missing is said in its remarks. The damaged file is not touched.
 * @throws EvenburnError SESSION_UNKNOWN, OUTPUT_FILE_UNWRITABLE when `path` exists, SESSION_DAMAGED when nothing can be opened
 */
export function repairSession(data: string, session: number, path: string): Repaired {
  if (existsSync(path)) throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: 'it exists' });
  const file = SessionFile.open(data, session);
  const out = openToWrite(path, 'session');
  const repaired: Repaired = { saved: 0, damage: [] };
  try {
    for (const table of ['session', 'definitions', 'reading', 'channel', 'alarm', 'reading_slice'])
      copyTable(file.db, out, table, repaired);
    for (const { table, key, data: column, read } of tables) {
      const insert = out.prepare(
        `INSERT OR IGNORE INTO ${table} (${key}, ${column}${table === 'slice' ? ', first_us, last_us, frames' : ''}) VALUES (?, ?${table === 'slice' ? ', ?, ?, ?' : ''})`,
      );
      for (const row of rowsOf(file.db, table, repaired.damage)) saveRow(file.db, row, table, read, insert, repaired);
    }
    const facts = mended(out, session, repaired);
    writeFacts(out, facts);
    writeFactsNow(out, facts);
    closeAsOneFile(out);
    return repaired;
  } catch (error) {
    out.close();
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${path}${suffix}`, { force: true });
    throw error;
  } finally {
    file.close();
  }
}

function saveRow(
  from: Connection,
  row: Row,
  table: string,
  read: (row: Row, db: Connection) => void,
  insert: Database.Statement,
  repaired: Repaired,
): void {
  try {
    read(row, from);
    const extent = table === 'slice' ? sliceExtent(row.data) : [];
    insert.run(row.id, row.data, ...extent);
    repaired.saved++;
  } catch (error) {
    repaired.damage.push({ part: `${table} ${row.id}`, why: (error as Error).message });
  }
}

/** First and last time and count of frames, from the slice itself. */
function sliceExtent(blob: Buffer): [number, number, number] {
  const { frames } = decodeSlice(blob, anyVehicle);
  const times = frames.timeUs.subarray(0, frames.count);
  return [times.reduce((a, b) => Math.min(a, b), Number.MAX_SAFE_INTEGER), times.reduce((a, b) => Math.max(a, b), 0), frames.count];
}

/** Small tables, row by row as far as they can be read. */
function copyTable(from: Connection, to: Connection, table: string, repaired: Repaired): void {
  try {
    for (const row of from.prepare(`SELECT * FROM ${table}`).iterate() as IterableIterator<Record<string, unknown>>) {
      const names = Object.keys(row);
      to.prepare(`INSERT OR IGNORE INTO ${table} (${names.join(', ')}) VALUES (${names.map(() => '?').join(', ')})`).run(
        ...Object.values(row),
      );
      repaired.saved++;
    }
  } catch (error) {
    if (!(error instanceof Database.SqliteError)) throw error;
    repaired.damage.push({ part: table, why: error.message });
  }
}

function mended(db: Connection, session: number, { damage }: Repaired): SessionFacts {
  const facts = readFacts(db) ?? startingFacts(session, 'repaired');
  if (damage.length > 0)
    facts.remarks.push(
      `repaired: ${damage.length} parts could not be read (${damage
        .slice(0, 5)
        .map(({ part }) => part)
        .join(', ')})`,
    );
  return { ...facts, state: facts.state === 'open' ? 'killed' : facts.state };
}
