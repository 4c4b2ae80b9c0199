// Finishes sessions that a killed program left open: their tail is read again, and they are marked as killed.
import { existsSync, rmSync, statSync } from 'node:fs';
import type { PipelineState } from '../pipeline.ts';
import { ChunkReader, slicesPerBlock, storedBlocks } from './bins-store.ts';
import { sessionNumbers, sessionPath } from './data-folder.ts';
import { type Connection, closeAsOneFile, guarded, openToWrite } from './database.ts';
import { vehiclesOf } from './definition-store.ts';
import type { VehicleByHash } from './journal.ts';
import { LastSamples } from './last-samples.ts';
import { type LoadVehicle, PipelineRun } from './pipeline-run.ts';
import { knownChannels } from './reading-channels.ts';
import { ReadingWriter, readSliceState } from './reading-writer.ts';
import { packSliceKey, sliceOfKey } from './schema.ts';
import { readFacts, readStartState } from './session-facts.ts';
import { type RecordPosition, SessionWriter } from './session-writer.ts';

/** The reading that was made while recording. */
const firstReading = 1;
/** So long old frames are read again at a stretch. */
const stretchMs = 4;

/** Sessions that weren't closed: a write-ahead log stands beside their file, or the file is still empty. */
export function findUnfinished(data: string): number[] {
  return sessionNumbers(data).filter((session) => {
    const path = sessionPath(data, session);
    return existsSync(`${path}-wal`) || statSync(path).size === 0;
  });
}

/**
 * Finishes one session file. Its journal becomes a slice, the reading goes on from the state stored with the slice before, and the
 * session says that it was killed. A file without anything in it goes away. Closed ones are only left as one file.
 * @throws EvenburnError SESSION_DAMAGED, DISK_FULL, DATA_UNWRITABLE
 */
export async function finishKilled(path: string, load: LoadVehicle): Promise<void> {
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
  await writer.close('killed');
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
