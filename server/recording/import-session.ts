// Makes a session of a recorded file's frames, or takes in a session file as somebody handed it over.
import { closeSync, constants, copyFileSync, existsSync, openSync, readSync, rmSync } from 'node:fs';
import { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { sliceLengthS } from '../limits.ts';
import { programVersion } from '../version.ts';
import { addSessionFile, draftPath, freeBytes, makeDataFolder } from './data-folder.ts';
import { type Connection, openToRead, refuseOtherTables } from './database.ts';
import { PipelineRun } from './pipeline-run.ts';
import { finishKilled, isLogged } from './recovery.ts';
import { readFacts, readNotes, readShownReading, type SessionFacts, startingFacts } from './session-facts.ts';
import { loadStored } from './session-file.ts';
import { checkFacts, checkNotes, checkParts } from './session-shape.ts';
import { SessionWriter } from './session-writer.ts';

/** Times from here on (September 2001) are taken as microseconds since 1970, and say when the session was. */
const wallTimeFromUs = 1e15;
const framesPerTurn = 8192;

export interface ImportSource {
  /** Frames in the order of the file; a batch is valid until the next one is asked for. */
  frames: AsyncIterable<FrameBatch> | Iterable<FrameBatch>;
  /** File's name, for the list. */
  origin: string;
  /** What had to be left out or changed, in sentences; asked at the end. */
  remarks: () => string[];
  /** With less space left it is given up: a small compressed file may hold more than the disk. By default only a full disk ends it. */
  freeBytesMin?: number;
}

/**
 * Makes a session of frames, with its reading by `vehicle`. It appears in the list when it is whole.
 * @returns Its number.
 * @throws EvenburnError INPUT_NOT_A_RECORDING when there is no frame, DISK_FULL, DATA_UNWRITABLE, and what the source throws.
 */
export async function importFrames(data: string, vehicle: Vehicle, source: ImportSource, nowWallMs: number): Promise<number> {
  makeDataFolder(data);
  const draft = draftPath(data);
  try {
    const facts = startingFacts(0, source.origin);
    const writer = SessionWriter.create(draft, facts, new PipelineRun(vehicle), { wallMs: nowWallMs, program: programVersion });
    try {
      const isShort = () => source.freeBytesMin !== undefined && freeBytes(data) < source.freeBytesMin;
      if (!(await takeFrames(writer, vehicle, source.frames, isShort)))
        throw new EvenburnError('INPUT_NOT_A_RECORDING', { path: source.origin, why: 'no frame in it' });
      facts.remarks.push(...source.remarks());
      await writer.close('closed');
    } catch (error) {
      writer.abandon();
      throw error;
    }
    return addSessionFile(data, draft);
  } finally {
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${draft}${suffix}`, { force: true });
  }
}

/** @returns Whether there was a frame. */
async function takeFrames(
  writer: SessionWriter,
  vehicle: Vehicle,
  frames: ImportSource['frames'],
  isShort: () => boolean,
): Promise<boolean> {
  let begun = false;
  for await (const batch of frames) {
    if (!begun && batch.count > 0) begin(writer, vehicle, batch.timeUs[0] as number);
    begun ||= batch.count > 0;
    for (const piece of sliceWise(batch)) {
      writer.takeInput({ kind: 'frames', batch: piece });
      if (!writer.sliceDue) continue;
      await writer.writeSlice();
      if (isShort()) throw new EvenburnError('DISK_FULL', { path: writer.path });
    }
  }
  return begun;
}

function begin(writer: SessionWriter, vehicle: Vehicle, timeUs: number): void {
  writer.takeInput({ kind: 'definitions', timeUs, vehicle });
  if (timeUs >= wallTimeFromUs) writer.takeInput({ kind: 'clock', timeUs, wallMs: timeUs / 1000 });
}

/** A batch in pieces none of which is longer than a slice: a sparse file may have hours in one batch. */
function* sliceWise(batch: FrameBatch): Generator<FrameBatch> {
  const lengthUs = (sliceLengthS / 10) * 1e6;
  const spanUs = batch.count > 0 ? (batch.timeUs[batch.count - 1] as number) - (batch.timeUs[0] as number) : 0;
  if (Math.abs(spanUs) < lengthUs) {
    yield batch;
    return;
  }
  const piece = new FrameBatch(framesPerTurn);
  for (let i = 0; i < batch.count; i++) {
    if (piece.count > 0 && Math.abs((batch.timeUs[i] as number) - (piece.timeUs[0] as number)) >= lengthUs) {
      yield piece;
      piece.clear();
    }
    piece.pushFrom(batch, i);
  }
  if (piece.count > 0) yield piece;
}

/** True when the file is a SQLite database, so perhaps a session that was handed over. False when it can't be opened. */
export function looksLikeSession(path: string): boolean {
  const magic = 'SQLite format 3\0';
  const bytes = Buffer.alloc(magic.length);
  try {
    const file = openSync(path, 'r');
    try {
      readSync(file, bytes, 0, bytes.length, 0);
    } finally {
      closeSync(file);
    }
  } catch {
    return false;
  }
  return bytes.toString('latin1') === magic;
}

/** What a session says of itself, and what people wrote of it, in the shapes that they have. @throws RangeError, SyntaxError */
function saidBy(db: Connection): SessionFacts {
  const facts = readFacts(db);
  if (facts === undefined) throw new RangeError('it does not say what it holds');
  checkFacts(facts);
  checkNotes(readNotes(db));
  return facts;
}

/** @throws EvenburnError SESSION_FILE_REFUSED that names the first part that is missing */
function refuseIncomplete(draft: string, path: string): void {
  const db = openToRead(draft, 'session');
  try {
    whole(path, () => checkParts(db, saidBy(db), readShownReading(db)));
  } finally {
    db.close();
  }
}

/** @throws EvenburnError SESSION_FILE_REFUSED for whatever `look` throws */
function whole<T>(path: string, look: () => T): T {
  try {
    return look();
  } catch (error) {
    const why = error instanceof EvenburnError ? String(error.details.why ?? error.message) : (error as Error).message;
    throw new EvenburnError('SESSION_FILE_REFUSED', { path, why }, error);
  }
}

/**
 * Takes in a session file byte for byte; one that was never closed, as a kill or a copy by hand leaves it, is finished here, its log
 * included.
 * @returns Its number here.
 * @throws EvenburnError SESSION_FILE_REFUSED, SESSION_DAMAGED, SESSION_TOO_NEW, DISK_FULL, DATA_UNWRITABLE
 */
export async function importSessionFile(data: string, path: string): Promise<number> {
  makeDataFolder(data);
  const draft = draftPath(data);
  let isOpen = false;
  try {
    for (const suffix of ['', '-wal'])
      if (suffix === '' || existsSync(`${path}${suffix}`)) copyFileSync(`${path}${suffix}`, `${draft}${suffix}`, constants.COPYFILE_EXCL);
    const db = openToRead(draft, 'session');
    try {
      whole(path, () => refuseOtherTables(db, path, 'session'));
      isOpen = whole(path, () => saidBy(db)).state === 'open';
    } finally {
      db.close();
    }
    // Who closed it and did not say so made it up, or copied it by hand: either way its end is told here.
    if (isOpen || isLogged(draft)) await finishKilled(draft, loadStored);
    refuseIncomplete(draft, path);
    return addSessionFile(data, draft);
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException;
    if (error instanceof EvenburnError) throw error;
    if (code === 'ENOSPC') throw new EvenburnError('DISK_FULL', { path: draft }, error);
    throw new EvenburnError('INPUT_FILE_UNREADABLE', { path, why: message }, error);
  } finally {
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${draft}${suffix}`, { force: true });
  }
}
