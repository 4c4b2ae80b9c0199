// Finishes sessions that a killed program left open, and copies of a session that is being recorded: the tail is read again, the state told.
import { closeSync, existsSync, openSync, readSync, rmSync, statSync } from 'node:fs';
import { EvenburnError } from '../errors.ts';
import type { PipelineState } from '../pipeline.ts';
import { ChunkReader, slicesPerBlock, storedBlocks } from './bins-store.ts';
import { DataFolderLock, sessionNumbers, sessionPath } from './data-folder.ts';
import { type Connection, closeAsOneFile, guarded, openToRead, openToWrite } from './database.ts';
import { vehiclesOf } from './definition-store.ts';
import type { VehicleByHash } from './journal.ts';
import { LastSamples } from './last-samples.ts';
import { type LoadVehicle, PipelineRun } from './pipeline-run.ts';
import { knownChannels } from './reading-channels.ts';
import { ReadingWriter, readSliceState } from './reading-writer.ts';
import { packSliceKey, sliceOfKey } from './schema.ts';
import { readFacts, readStartState, type SessionState } from './session-facts.ts';
import { loadStored } from './session-file.ts';
import { type RecordPosition, SessionWriter } from './session-writer.ts';

/** The reading that was made while recording. */
const firstReading = 1;
/** So long old frames are read again at a stretch. */
const stretchMs = 4;

/** Sessions that weren't closed, and copies of such: their file is empty, has a write-ahead log beside it, or says that it may have one. */
export function findUnfinished(data: string): number[] {
  return sessionNumbers(data).filter((session) => {
    const path = sessionPath(data, session);
    return statSync(path).size === 0 || isLogged(path);
  });
}

/**
 * Whether a write-ahead log belongs to the file: it lies beside it, or the header says that there may be one. A closed session has left
 * that mode. Source: sqlite.org/fileformat2.html, 1.3.3, read version.
 */
export function isLogged(path: string): boolean {
  if (existsSync(`${path}-wal`)) return true;
  const header = Buffer.alloc(20);
  const file = openSync(path, 'r');
  try {
    readSync(file, header, 0, header.length, 0);
  } finally {
    closeSync(file);
  }
  return header[19] === 2;
}

/**
 * Finishes a session of this folder that a killed program left open, as the next start would; leaves alone what is recorded now, and what
 * is closed.
 * @throws EvenburnError as `finishKilled`
 */
export async function finishLeftOpen(data: string, session: number): Promise<void> {
  const path = sessionPath(data, session);
  if (!existsSync(path) || !isLogged(path) || stateOf(path) !== 'open') return;
  let lock: DataFolderLock;
  try {
    lock = DataFolderLock.take(data);
  } catch (error) {
    // Recorded now, or in a folder that can only be read: then it is read as it stands.
    if (error instanceof EvenburnError && (error.code === 'DATA_IN_USE' || error.code === 'DATA_UNWRITABLE')) return;
    throw error;
  }
  try {
    await finishKilled(path, loadStored);
  } finally {
    lock.release();
  }
}

function stateOf(path: string): SessionState | undefined {
  if (statSync(path).size === 0) return undefined;
  const db = openToRead(path, 'session');
  try {
    return guarded(path, () => readFacts(db)?.state);
  } finally {
    db.close();
  }
}

/**
 * Finishes one session file. Its journal becomes a slice, the reading goes on from the state stored with the slice before, and the
 * session says that it was killed, or, of a copy, that it goes only so far. A file without anything in it goes away. Closed ones are only
 * left as one file.
 * @throws EvenburnError SESSION_DAMAGED, DISK_FULL, DATA_UNWRITABLE
 */
export async function finishKilled(path: string, load: LoadVehicle, why: 'killed' | 'copied' = 'killed'): Promise<void> {
  if (statSync(path).size === 0 && !existsSync(`${path}-wal`)) {
    rmSync(path);
    return;
  }
  const db = openToWrite(path, 'session');
  const facts = guarded(path, () => readFacts(db));
  if (!facts) {
    db.close();
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${path}${suffix}`, { force: true });
    return;
  }
  if (facts.state !== 'open') {
    // Only a re-reading writes to a closed session. Where nobody holds the file any more, one that isn't complete never will be.
    closeAsOneFile(db, () => removeHalfReadings(db));
    return;
  }
  const vehicleOf = vehiclesOf(db, load);
  const { run, reading, position } = guarded(path, () => resumed(db, vehicleOf, facts.hash));
  const writer = new SessionWriter(db, path, facts, run, reading, position);
  const rows = db.prepare('SELECT id, inputs FROM journal ORDER BY id').all() as { id: number; inputs: Buffer }[];
  let sinceMs = performance.now();
  for (const { id, inputs } of rows) {
    if (performance.now() - sinceMs > stretchMs) {
      // Another session may be recorded meanwhile, in this thread: its frames must not wait for the disk longer than promised.
      await new Promise(setImmediate);
      sinceMs = performance.now();
    }
    try {
      writer.takeJournalRow(id, inputs, vehicleOf);
    } catch (error) {
      facts.remarks.push(`part ${id} of the journal could not be read and was left out: ${(error as Error).message}`);
    }
  }
  if (why === 'copied') facts.remarks.push('copied while it was being recorded: it holds what had been saved by then');
  await writer.close(why === 'copied' ? 'closed' : 'killed');
}

function removeHalfReadings(db: Connection): void {
  const half = db.prepare("SELECT id FROM reading WHERE state = 'growing' AND id > ?").pluck().all(firstReading) as number[];
  for (const id of half) new ReadingWriter(db, id).remove();
}

/** Pipeline and reading as they were behind the last stored slice. */
function resumed(
  db: Connection,
  vehicleOf: VehicleByHash,
  firstHash: string,
): { run: PipelineRun | undefined; reading: ReadingWriter | undefined; position: RecordPosition } {
  const slices = db.prepare('SELECT coalesce(max(id) + 1, 0) FROM slice').pluck().get() as number;
  const position = { slice: slices, block: nextBlock(db) };
  const hasReading = db.prepare('SELECT count(*) FROM reading WHERE id = ?').pluck().get(firstReading) === 1;
  if (!hasReading) return { run: undefined, reading: undefined, position };
  const left = lastSlice(db);
  const hash = left?.hash ?? (db.prepare('SELECT hash FROM reading WHERE id = ?').pluck().get(firstReading) as string) ?? firstHash;
  const run = new PipelineRun(vehicleOf(hash));
  const state = left ? left.state : (readStartState(db) as PipelineState | undefined);
  if (state) run.restore(state, vehicleOf);
  return { run, reading: new ReadingWriter(db, firstReading, left ? lastSamplesBehind(db, left) : undefined), position };
}

interface LeftSlice {
  slice: number;
  before: Buffer;
  hash: string;
  state: PipelineState | undefined;
}

function lastSlice(db: Connection): LeftSlice | undefined {
  const row = db
    .prepare('SELECT key, before, state FROM reading_slice WHERE key < ? ORDER BY key DESC LIMIT 1')
    .get(packSliceKey(firstReading + 1, 0)) as { key: number; before: Buffer; state: Buffer } | undefined;
  return row && { slice: sliceOfKey(row.key), before: row.before, ...readSliceState(row.state) };
}

function lastSamplesBehind(db: Connection, { slice, before }: LeftSlice): LastSamples {
  const last = LastSamples.decode(before);
  const chunks = new ChunkReader(db, firstReading);
  for (const { id } of knownChannels(db, firstReading)) {
    const column = chunks.read(slice, id);
    if (column) last.takeColumn(id, column);
  }
  return last;
}

function nextBlock(db: Connection): number {
  return Math.max(-1, ...storedBlocks(db, firstReading)) * slicesPerBlock + slicesPerBlock;
}
