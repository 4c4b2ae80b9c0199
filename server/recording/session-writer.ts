// Writes one session file: the journal, its rewriting into slices, and the reading beside it.
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { sessionEventsMax, sliceInputsMax, sliceLengthS } from '../limits.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { slicesPerBlock } from './bins-store.ts';
import { type Connection, closeAsOneFile, guarded, openToWrite, type Transaction } from './database.ts';
import { storeDefinitions } from './definition-store.ts';
import { InputLog, type OtherInput } from './input-log.ts';
import { type VehicleByHash, visitJournal } from './journal.ts';
import type { PipelineRun } from './pipeline-run.ts';
import { type ReadingSlice, ReadingWriter } from './reading-writer.ts';
import {
  readNotes,
  type SessionEvent,
  type SessionFacts,
  type SessionNotes,
  type SessionState,
  writeFacts,
  writeFactsNow,
  writeNotes,
  writeStartState,
} from './session-facts.ts';
import { encodeSlice } from './slice.ts';

/** Where the writer stands in the record. */
export interface RecordPosition {
  /** Number of the next slice. */
  slice: number;
  /** Slices of whose samples the pyramid is not made yet begin here: a multiple of `slicesPerBlock`. */
  block: number;
}

const lockedRetryMs = 250;
const factsIntervalUs = 1_000_000;

interface EncodedSlice {
  slice: number;
  log: InputLog;
  blob: Uint8Array;
  /** Last row of the journal that is in it. */
  journalEnd: number;
  /** As of its last input. */
  facts: SessionFacts;
  samples: ReadingSlice | undefined;
}

/**
 * One open session. Inputs come as chunks of the journal (`commitJournal`, then `take` for each: recording) or one by one (`takeInput`:
 * import, which needs no journal). Slices are written by `writeSlice`; what comes meanwhile goes into the next one.
 *
 * Everything that touches the file throws an EvenburnError when the machine refuses: DISK_FULL, DATABASE_LOCKED, DATA_UNWRITABLE,
 * SESSION_DAMAGED.
 */
export class SessionWriter {
  readonly path: string;
  readonly facts: SessionFacts;
  readonly reading: ReadingWriter | undefined;
  private readonly db: Connection;
  private readonly commitRows: Transaction<(chunks: readonly Uint8Array[], vehicles: readonly Vehicle[]) => void>;
  private readonly run: PipelineRun | undefined;
  private readonly position: RecordPosition;
  private log = new InputLog();
  private sliceFromUs: number | undefined;
  private lastUs = 0;
  private shownUs = 0;
  private journalEnd = 0;
  private isFirst: boolean;
  private clock: { timeUs: number; wallMs: number } | undefined;
  private writing: Promise<void> = Promise.resolve();

  constructor(
    db: Connection,
    path: string,
    facts: SessionFacts,
    run: PipelineRun | undefined,
    reading: ReadingWriter | undefined,
    position: RecordPosition,
  ) {
    this.db = db;
    this.path = path;
    this.facts = facts;
    this.run = run;
    this.reading = reading;
    this.position = position;
    this.isFirst = position.slice === 0;
    const insert = db.prepare('INSERT INTO journal (inputs) VALUES (?)');
    this.commitRows = db.transaction((chunks: readonly Uint8Array[], vehicles: readonly Vehicle[]) => {
      for (const vehicle of vehicles) storeDefinitions(db, vehicle);
      this.writeNow();
      for (const chunk of chunks) this.journalEnd = Number(insert.run(chunk).lastInsertRowid);
    });
    run?.writeTo(reading);
  }

  /**
   * Opens a new session in the (empty) file at `path`.
   * @param run The pipeline that makes the reading, as it stands before the first input; undefined records without a reading.
   */
  static create(path: string, facts: SessionFacts, run: PipelineRun | undefined, made: { wallMs: number; program: string }): SessionWriter {
    const db = openToWrite(path, 'session');
    return guarded(path, () =>
      db
        .transaction(() => {
          writeFacts(db, facts);
          const state = run?.state();
          if (state) writeStartState(db, state);
          if (run) storeDefinitions(db, run.vehicle);
          const reading = run ? ReadingWriter.begin(db, { ...made, hash: run.vehicle.hash, note: '' }) : undefined;
          return new SessionWriter(db, path, facts, run, reading, { slice: 0, block: 0 });
        })
        .immediate(),
    );
  }

  /** Puts chunks of the journal on the disk, with the definition sets that they name. When it returns they are durable. */
  commitJournal(chunks: readonly Uint8Array[], vehicles: readonly Vehicle[]): void {
    guarded(this.path, () => this.commitRows.immediate(chunks, vehicles));
  }

  /** Once a second, so that lists show a session that grows. */
  private writeNow(): void {
    if (this.facts.frames > 0 && this.lastUs - this.shownUs < factsIntervalUs) return;
    this.shownUs = this.lastUs;
    writeFactsNow(this.db, this.facts);
  }

  /** Takes a committed chunk into the slice that grows, and into the reading. */
  take(chunk: Uint8Array, vehicleOf: VehicleByHash): void {
    const fromFrame = this.log.frames.count;
    const fromOther = this.log.others.length;
    const { log } = this;
    visitJournal(chunk, vehicleOf, log);
    if (this.run) for (const input of log.inputs(fromFrame, fromOther)) this.note(input);
    else {
      for (let i = fromOther; i < log.others.length; i++) this.note(log.others[i] as OtherInput);
      this.noteFrames(log.frames.timeUs.subarray(fromFrame), log.frames.count - fromFrame);
      this.sliceFromUs ??= this.lastUs;
    }
  }

  /** Takes a row that is in the journal already: what a killed program left behind. */
  takeJournalRow(id: number, chunk: Uint8Array, vehicleOf: VehicleByHash): void {
    this.journalEnd = id;
    this.take(chunk, vehicleOf);
  }

  /** Takes one input that is in no journal. */
  takeInput(input: PipelineInput): void {
    this.log.take(input);
    if (input.kind === 'definitions') guarded(this.path, () => storeDefinitions(this.db, input.vehicle));
    this.note(input);
  }

  /** True when the slice that grows has reached its length. */
  get sliceDue(): boolean {
    if (this.log.count >= sliceInputsMax) return true;
    return this.sliceFromUs !== undefined && this.lastUs - this.sliceFromUs >= sliceLengthS * 1e6;
  }

  /** Session time of the newest input. */
  get nowUs(): number {
    return this.lastUs;
  }

  /**
   * Writes the slice that has grown, with its samples, in one transaction that also takes its inputs out of the journal. The work gives
   * way to commits meanwhile; slices are written one after the other.
   */
  writeSlice(): Promise<void> {
    if (this.log.count === 0 && !this.reading?.hasMore) return this.writing;
    const { log, journalEnd } = this;
    this.log = new InputLog(log.frames.count + 64);
    this.sliceFromUs = undefined;
    const slice = this.position.slice++;
    const cut = this.reading?.cut(slice, this.run?.state());
    for (const { event, severity } of cut?.alarms ?? []) if (event === 'raised') this.facts.alarms[severity]++;
    const facts = structuredClone(this.facts);
    this.writing = this.writing.then(async () => {
      const blob = await encodeSlice(log);
      const samples = cut && (await (this.reading as ReadingWriter).encode(cut));
      await patiently(() => this.storeSlice({ slice, log, blob, journalEnd, facts, samples }));
      if (cut && (slice + 1) % slicesPerBlock === 0) await this.writeBlock(slice + 1);
    });
    return this.writing;
  }

  /** Changes what people say about the session. */
  changeNotes(change: Partial<SessionNotes>): void {
    guarded(this.path, () => this.db.transaction(() => writeNotes(this.db, { ...readNotes(this.db), ...change })).immediate());
  }

  /** Writes what is left, says how the session ended, and leaves it as one file. */
  async close(state: Exclude<SessionState, 'open'>): Promise<void> {
    this.run?.finish();
    const writing = this.writeSlice();
    // The pipeline may run on into another session while this one is written.
    this.run?.release(this.reading);
    await writing;
    if (this.reading && this.position.block < this.position.slice) await this.writeBlock(this.position.slice);
    this.facts.state = state;
    guarded(this.path, () => {
      this.db
        .transaction(() => {
          writeFacts(this.db, this.facts);
          writeFactsNow(this.db, this.facts);
          this.endReading();
        })
        .immediate();
      closeAsOneFile(this.db);
    });
  }

  /** Lets go of the file as it is, after the machine refused: a later start finishes it. */
  abandon(): void {
    this.run?.release(this.reading);
    this.writing.catch(() => {});
    this.db.close();
  }

  private endReading(): void {
    if (!this.run?.failure) this.reading?.end('complete');
    else this.reading?.end('failed', `the reading stopped: ${this.run.failure.message}`);
  }

  private storeSlice({ slice, log, blob, journalEnd, facts, samples }: EncodedSlice): void {
    const { db } = this;
    const { firstUs, lastUs } = timeRangeOf(log);
    guarded(this.path, () => {
      db.transaction(() => {
        const insert = db.prepare('INSERT INTO slice (id, first_us, last_us, frames, inputs) VALUES (?, ?, ?, ?, ?)');
        insert.run(slice, firstUs, lastUs, log.frames.count, blob);
        db.prepare('DELETE FROM journal WHERE id <= ?').run(journalEnd);
        if (samples) this.reading?.store(samples);
        writeFacts(db, facts);
      }).immediate();
      db.pragma('wal_checkpoint(PASSIVE)');
    });
  }

  private async writeBlock(endSlice: number): Promise<void> {
    const { position } = this;
    await (this.reading as ReadingWriter).writeBlock(position.block, endSlice);
    position.block = endSlice;
  }

  /** Counts an input, and hands it to the pipeline. */
  private note(input: PipelineInput): void {
    if (input.kind === 'frames') this.noteFrames(input.batch.timeUs, input.batch.count);
    else this.noteOther(input);
    this.sliceFromUs ??= this.lastUs;
    // The first input of a record is the definitions in force: the pipeline was made of them.
    if (this.isFirst && input.kind === 'definitions') this.isFirst = false;
    else this.run?.take(input);
  }

  private noteOther(input: OtherInput): void {
    const { facts } = this;
    this.lastUs = Math.max(this.lastUs, input.timeUs);
    if (input.kind === 'loss') facts.loss[input.place] += input.count;
    if (input.kind === 'clock') this.clock = input;
    if (input.kind === 'definitions') {
      facts.vehicle = input.vehicle.name;
      facts.hash ||= input.vehicle.hash;
    }
    const event = this.isFirst ? undefined : toEvent(input);
    if (event && facts.events.length < sessionEventsMax) facts.events.push(event);
  }

  private noteFrames(timeUs: Float64Array, count: number): void {
    const { facts } = this;
    if (count === 0) return;
    const firstUs = timeUs[0] as number;
    if (facts.frames === 0) {
      facts.firstUs = firstUs;
      if (this.clock) facts.startedWallMs = this.clock.wallMs + (firstUs - this.clock.timeUs) / 1000;
    }
    facts.frames += count;
    facts.lastUs = Math.max(facts.lastUs, timeUs[count - 1] as number);
    this.lastUs = Math.max(this.lastUs, timeUs[count - 1] as number);
  }
}

/** Tries again while another program holds the file locked: what is to be stored is safe in the journal meanwhile. */
async function patiently(work: () => void): Promise<void> {
  for (;;) {
    try {
      work();
      return;
    } catch (error) {
      if (!(error instanceof EvenburnError && error.code === 'DATABASE_LOCKED')) throw error;
      await new Promise((resolve) => setTimeout(resolve, lockedRetryMs));
    }
  }
}

/** What is worth jumping to, in a few words; undefined: nothing. */
function toEvent(input: OtherInput): SessionEvent | undefined {
  const { timeUs } = input;
  if (input.kind === 'loss' && input.place !== 'late') return { timeUs, kind: 'loss', text: `${input.count} frames lost (${input.place})` };
  if (input.kind === 'definitions') return { timeUs, kind: 'definitions', text: 'other definitions' };
  if (input.kind === 'source' && input.state === 'down') return { timeUs, kind: 'source', text: input.detail || 'a source went down' };
  return undefined;
}

function timeRangeOf(log: InputLog): { firstUs: number; lastUs: number } {
  let firstUs = Number.MAX_SAFE_INTEGER;
  let lastUs = 0;
  const see = (us: number): void => {
    if (us < firstUs) firstUs = us;
    if (us > lastUs) lastUs = us;
  };
  for (let i = 0; i < log.frames.count; i++) see(log.frames.timeUs[i] as number);
  for (const other of log.others) if (log.frames.count === 0) see(other.timeUs);
  return { firstUs: Math.min(firstUs, lastUs), lastUs };
}
