// A session file opened to read: its facts, its definition sets, and the record, input by input.
import { existsSync, statSync } from 'node:fs';
import { parseVehicle } from '../definitions/load-vehicle.ts';
import type { DefinitionFile, Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { sessionPath } from './data-folder.ts';
import { type Connection, named, openToRead } from './database.ts';
import { vehiclesOf } from './definition-store.ts';
import { InputLog } from './input-log.ts';
import { visitJournal } from './journal.ts';
import { readFactsNow, readNotes, readShownReading, type SessionFacts, type SessionNotes } from './session-facts.ts';
import { checkFacts, checkNotes } from './session-shape.ts';
import { decodeSlice } from './slice.ts';

/** Makes a vehicle of the files stored with a session. @throws EvenburnError VEHICLE_INVALID */
export function loadStored(files: DefinitionFile[]): Vehicle {
  const { vehicle } = parseVehicle(files);
  if (!vehicle) throw new EvenburnError('VEHICLE_INVALID', { path: 'the definitions in the session' });
  return vehicle;
}

export class SessionFile {
  readonly session: number;
  readonly path: string;
  readonly db: Connection;
  readonly vehicleOf: (hash: string) => Vehicle;

  private constructor(session: number, path: string, db: Connection) {
    this.session = session;
    this.path = path;
    this.db = db;
    this.vehicleOf = vehiclesOf(db, loadStored);
  }

  /** @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW, DATA_UNWRITABLE */
  static open(data: string, session: number): SessionFile {
    const path = sessionPath(data, session);
    if (!existsSync(path) || statSync(path).size === 0) throw new EvenburnError('SESSION_UNKNOWN', { session });
    return new SessionFile(session, path, openToRead(path, 'session'));
  }

  get facts(): SessionFacts {
    const facts = this.reading(() => {
      const said = readFactsNow(this.db);
      if (said !== undefined) checkFacts(said);
      return said;
    });
    if (!facts) throw new EvenburnError('SESSION_DAMAGED', { path: this.path, why: 'it does not say what it holds' });
    // The file's name says its number: it may have come from another computer.
    return { ...facts, number: this.session };
  }

  get notes(): SessionNotes {
    return this.reading(() => {
      const said = readNotes(this.db);
      checkNotes(said);
      return said;
    });
  }

  /** The reading that pages and exports show. */
  get shownReading(): number {
    return this.reading(() => readShownReading(this.db));
  }

  /** The definitions that the session began with. @throws EvenburnError VEHICLE_INVALID */
  get vehicle(): Vehicle {
    return this.reading(() => this.vehicleOf(this.facts.hash));
  }

  /**
   * All inputs in the order in which they were taken, frames in batches; of a session that is being recorded those on the disk. A batch
   * is valid until the next step.
   * @param fromUs Slices that end before are left out: what begins earlier than this may be missing.
   * @throws EvenburnError SESSION_DAMAGED where a part can't be read.
   */
  *record(fromUs = Number.NEGATIVE_INFINITY): Generator<PipelineInput> {
    let next = this.reading(() => this.firstSliceBehind(fromUs));
    for (;;) {
      const log = this.reading(() => this.readSlice(next));
      if (!log) break;
      yield* log.inputs();
      next++;
    }
    for (const log of this.reading(() => this.readTail(next))) yield* log.inputs();
  }

  /** Number of the first slice that ends at or behind a time; behind the last when none does. */
  private firstSliceBehind(fromUs: number): number {
    if (fromUs === Number.NEGATIVE_INFINITY) return 0;
    const found = this.db.prepare('SELECT MIN(id) FROM slice WHERE last_us >= ?').pluck().get(fromUs) as number | null;
    return found ?? (this.db.prepare('SELECT COALESCE(MAX(id) + 1, 0) FROM slice').pluck().get() as number);
  }

  /** The inputs of one slice; undefined when there is none of that number. */
  readSlice(slice: number): InputLog | undefined {
    const blob = this.db.prepare('SELECT inputs FROM slice WHERE id = ?').pluck().get(slice) as Buffer | undefined;
    return blob && decodeSlice(blob, this.vehicleOf);
  }

  close(): void {
    this.db.close();
  }

  /** Runs a look-up; what is damaged is named. */
  reading<T>(work: () => T): T {
    try {
      return work();
    } catch (error) {
      const ours = named(error, this.path);
      if (ours instanceof EvenburnError) throw ours;
      throw new EvenburnError('SESSION_DAMAGED', { path: this.path, why: (error as Error).message }, error);
    }
  }

  /** Slices from `next` on and the journal, as of one instant: a writer may be turning the one into the other. */
  private readTail(next: number): InputLog[] {
    const { db } = this;
    const { slices, rows } = db.transaction(() => ({
      slices: db.prepare('SELECT inputs FROM slice WHERE id >= ? ORDER BY id').pluck().all(next) as Buffer[],
      rows: db.prepare('SELECT inputs FROM journal ORDER BY id').pluck().all() as Buffer[],
    }))();
    const journal = new InputLog();
    for (const row of rows) visitJournal(row, this.vehicleOf, journal);
    return [...slices.map((blob) => decodeSlice(blob, this.vehicleOf)), journal];
  }
}
