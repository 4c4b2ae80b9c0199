// Re-reading: computes a new reading of a stored record beside the old ones, and says what is different.
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import type { PipelineState } from '../pipeline.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { programVersion } from '../version.ts';
import { slicesPerBlock } from './bins-store.ts';
import { sessionPath } from './data-folder.ts';
import { type Connection, closeAsOneFile, guarded, openToWrite } from './database.ts';
import { storeDefinitions } from './definition-store.ts';
import { PipelineRun } from './pipeline-run.ts';
import { ReadingWriter } from './reading-writer.ts';
import { readStartState } from './session-facts.ts';
import { SessionFile } from './session-file.ts';
import { busesByName, onBuses } from './session-frames.ts';

export interface RereadOptions {
  /** Definitions to read by, from the beginning; undefined: those of the record, each from where it came into force. */
  vehicle?: Vehicle;
  nowWallMs: number;
  note?: string;
  /** Called after each slice with the share done, 0 to 1. */
  progress?: (share: number) => void;
  signal?: AbortSignal;
}

/**
 * Reads a session again; earlier readings are never touched. A reading that was cancelled or failed half-way is taken away.
 * @returns Number of the new reading.
 * @throws EvenburnError SESSION_UNKNOWN, SESSION_RECORDING, SESSION_DAMAGED, DISK_FULL
 */
export async function rereadSession(data: string, session: number, options: RereadOptions): Promise<number> {
  const file = SessionFile.open(data, session);
  try {
    if (file.facts.state === 'open') throw new EvenburnError('SESSION_RECORDING', { session });
    const path = sessionPath(data, session);
    const db = openToWrite(path, 'session');
    try {
      return await new Rereading(file, db, path, options).run();
    } finally {
      // A reader's connection in this very process would keep the log beside the file.
      file.close();
      closeAsOneFile(db);
    }
  } finally {
    file.close();
  }
}

class Rereading {
  private readonly file: SessionFile;
  private readonly db: Connection;
  private readonly path: string;
  private readonly options: RereadOptions;
  private readonly pipeline: PipelineRun;
  private readonly writer: ReadingWriter;
  private buses: Int16Array;
  private isFirst = true;

  constructor(file: SessionFile, db: Connection, path: string, options: RereadOptions) {
    this.file = file;
    this.db = db;
    this.path = path;
    this.options = options;
    const vehicle = options.vehicle ?? file.vehicle;
    this.buses = busesByName(file.vehicle, vehicle);
    this.pipeline = new PipelineRun(vehicle);
    const { nowWallMs, note = '' } = options;
    this.writer = guarded(path, () => {
      storeDefinitions(db, vehicle);
      return ReadingWriter.begin(db, { wallMs: nowWallMs, program: programVersion, hash: vehicle.hash, note });
    });
    this.pipeline.writeTo(this.writer);
    // What the pipeline held when the session began belongs to the definitions of then.
    const state = options.vehicle ? undefined : (readStartState(file.db) as PipelineState | undefined);
    if (state) this.pipeline.restore(state, file.vehicleOf);
  }

  async run(): Promise<number> {
    try {
      await this.readSlices();
      this.writer.end('complete');
      return this.writer.id;
    } catch (error) {
      this.writer.remove();
      throw error;
    }
  }

  private async readSlices(): Promise<void> {
    const { file, options, writer } = this;
    const slices = file.reading(() => file.db.prepare('SELECT count(*) FROM slice').pluck().get() as number);
    for (let slice = 0; slice < slices; slice++) {
      options.signal?.throwIfAborted();
      const log = file.reading(() => file.readSlice(slice));
      for (const input of log?.inputs() ?? []) this.take(input);
      if (slice === slices - 1) this.pipeline.finish();
      if (this.pipeline.failure) throw this.pipeline.failure;
      const encoded = await writer.encode(writer.cut(slice, this.pipeline.state()));
      guarded(this.path, () => {
        this.db.transaction(() => writer.store(encoded)).immediate();
        this.db.pragma('wal_checkpoint(PASSIVE)');
      });
      const behind = slice + 1;
      if (behind % slicesPerBlock === 0 || behind === slices) {
        await writer.writeBlock(Math.floor(slice / slicesPerBlock) * slicesPerBlock, behind);
      }
      options.progress?.(behind / slices);
    }
  }

  private take(input: PipelineInput): void {
    const { options } = this;
    const isFirst = this.isFirst;
    this.isFirst = false;
    if (input.kind === 'definitions') {
      if (options.vehicle) this.buses = busesByName(input.vehicle, options.vehicle);
      else if (!isFirst) this.pipeline.take(input);
    } else if (input.kind === 'frames') {
      this.pipeline.take(options.vehicle ? { kind: 'frames', batch: onBuses(input.batch, this.buses) } : input);
    } else this.pipeline.take(input);
  }
}
