// Recorded files that pages send, as the main process sees them: each lands in DATA/incoming, and becomes a session in a worker, one after the other.
import { randomUUID } from 'node:crypto';
import { createWriteStream, mkdirSync, rmSync } from 'node:fs';
import { rm } from 'node:fs/promises';
import { join } from 'node:path';
import { type Readable, Transform } from 'node:stream';
import { pipeline } from 'node:stream/promises';
import { machineClock } from '../clock.ts';
import type { FileLookView, ImportJob, ImportQuery } from '../contract/recorded-import.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { importBytesMax, importFreeBytesMin, importLookBytesMax, importsKeptMax, importsWaitingMax } from '../limits.ts';
import { freeBytes } from './data-folder.ts';
import { type RunningTask, runTask } from './run-task.ts';
import type { TaskResults } from './task-messages.ts';

interface Import {
  view: ImportJob;
  path: string;
  asked: ImportQuery;
}

const spaceLookBytes = 4 * 1024 * 1024;

export class RecordedImports {
  private readonly data: string;
  private readonly folder: string;
  /** The definitions of now. */
  private readonly vehicle: () => Vehicle;
  private imports: Import[] = [];
  private numbered = 0;
  /** Files that are being sent. */
  private arriving = 0;
  private current: { job: number; running: RunningTask<TaskResults['import']> } | undefined;

  /** What a server before this one had not finished is taken away. */
  constructor(data: string, vehicle: () => Vehicle) {
    this.data = data;
    this.folder = join(data, 'incoming');
    this.vehicle = vehicle;
    rmSync(this.folder, { recursive: true, force: true });
  }

  /** Oldest first. */
  list(): ImportJob[] {
    return this.imports.map(({ view }) => view);
  }

  /**
   * What a file is, by its beginning.
   * @throws EvenburnError IMPORT_TOO_LARGE, USAGE_WRONG for a bus or a column that is not there
   */
  async look(bytes: Readable, asked: ImportQuery): Promise<FileLookView> {
    const path = await this.keep(bytes, importLookBytesMax);
    try {
      return await runTask<'look'>(this.data, { kind: 'look', path, ...sourceOf(asked), files: this.vehicle().files }).done;
    } finally {
      await rm(path, { force: true });
    }
  }

  /**
   * Takes a whole file, then imports it when its turn comes. What goes wrong later is the job's `problem`.
   * @throws EvenburnError IMPORT_TOO_LARGE, IMPORTS_TOO_MANY, DISK_FULL, DATA_UNWRITABLE, IMPORT_BROKEN_OFF
   */
  async add(bytes: Readable, asked: ImportQuery): Promise<ImportJob> {
    const waiting = this.imports.filter(({ view }) => !isOver(view)).length;
    if (waiting + this.arriving >= importsWaitingMax) throw new EvenburnError('IMPORTS_TOO_MANY', { count: importsWaitingMax });
    this.arriving++;
    let path: string;
    try {
      path = await this.keep(bytes, importBytesMax);
    } finally {
      this.arriving--;
    }
    const view: ImportJob = {
      job: ++this.numbered,
      name: asked.name,
      state: 'waiting',
      share: 0,
      frames: 0,
      framesPerSecond: 0,
      secondsLeft: null,
      session: null,
      remarks: [],
      problem: '',
    };
    this.imports.push({ view, path, asked });
    const tooMany = Math.max(0, this.imports.length - importsKeptMax);
    const forgotten = this.imports.filter((one) => isOver(one.view)).slice(0, tooMany);
    this.imports = this.imports.filter((one) => !forgotten.includes(one));
    void this.next();
    return view;
  }

  /** What is half imported is taken away. One that is over stays as it is. @throws EvenburnError IMPORT_UNKNOWN */
  cancel(job: number): ImportJob {
    const found = this.imports.find(({ view }) => view.job === job);
    if (!found) throw new EvenburnError('IMPORT_UNKNOWN', { job });
    if (found.view.state === 'waiting') {
      rmSync(found.path, { force: true });
      found.view.state = 'cancelled';
    } else if (this.current?.job === job) this.current.running.worker.postMessage({ kind: 'cancel' });
    return found.view;
  }

  /** Cancels everything and waits for the end of what runs. */
  async close(): Promise<void> {
    for (const { view } of this.imports) if (!isOver(view)) this.cancel(view.job);
    await this.current?.running.done.catch(() => undefined);
    await rm(this.folder, { recursive: true, force: true });
  }

  /** The bytes as a file of their own, bounded; a request that breaks off leaves nothing. */
  private async keep(bytes: Readable, bytesMax: number): Promise<string> {
    const path = join(this.folder, randomUUID());
    try {
      mkdirSync(this.folder, { recursive: true });
      await pipeline(bytes, this.bounded(bytesMax), createWriteStream(path, { flags: 'wx' }));
      return path;
    } catch (error) {
      await rm(path, { force: true });
      if (error instanceof EvenburnError) throw error;
      const { code, message } = error as NodeJS.ErrnoException;
      if (code === 'ENOSPC') throw new EvenburnError('DISK_FULL', { path: this.folder }, error);
      if (code === 'ERR_STREAM_PREMATURE_CLOSE' || code === 'ECONNRESET') throw new EvenburnError('IMPORT_BROKEN_OFF', {}, error);
      throw new EvenburnError('DATA_UNWRITABLE', { path: this.folder, why: message }, error);
    }
  }

  private bounded(bytesMax: number): Transform {
    let taken = 0;
    let lookAt = 0;
    const fault = (): EvenburnError | undefined => {
      if (taken > bytesMax) return new EvenburnError('IMPORT_TOO_LARGE', { megabytes: Math.floor(bytesMax / 1e6) });
      if (taken < lookAt) return undefined;
      lookAt = taken + spaceLookBytes;
      // What is being recorded has the last of the space.
      return freeBytes(this.data) < importFreeBytesMin ? new EvenburnError('DISK_FULL', { path: this.folder }) : undefined;
    };
    return new Transform({
      transform(piece: Buffer, _encoding, done) {
        taken += piece.length;
        const found = fault();
        if (found) done(found);
        else done(null, piece);
      },
    });
  }

  private async next(): Promise<void> {
    const found = this.imports.find(({ view }) => view.state === 'waiting');
    if (!found || this.current) return;
    const { view, path, asked } = found;
    view.state = 'running';
    const task = { kind: 'import' as const, path, name: view.name, ...sourceOf(asked), files: this.vehicle().files };
    const running = runTask<'import'>(this.data, { ...task, nowWallMs: machineClock.wallMs() }, (share, pace) => {
      const { frames, framesPerSecond, secondsLeft } = pace ?? { frames: 0, framesPerSecond: 0, secondsLeft: undefined };
      Object.assign(view, { share, frames, framesPerSecond, secondsLeft: secondsLeft ?? null });
    });
    this.current = { job: view.job, running };
    const over = await running.done.then(
      (result) => ({ ...result, state: 'done' as const, share: 1 }),
      (error: unknown) => toEnd(error, path, view.name),
    );
    await rm(path, { force: true });
    Object.assign(view, over, { secondsLeft: null });
    this.current = undefined;
    void this.next();
  }
}

function sourceOf({ bus, columns }: ImportQuery): { bus?: string; columns?: string } {
  return { ...(bus === undefined ? {} : { bus }), ...(columns === undefined ? {} : { columns }) };
}

function isOver({ state }: ImportJob): boolean {
  return state !== 'waiting' && state !== 'running';
}

/** How an import ended that did not succeed. The file is known to the person by its own name, not by where it lies here. */
function toEnd(error: unknown, path: string, name: string): Pick<ImportJob, 'state' | 'problem'> {
  if (error instanceof Error && error.message.includes('AbortError')) return { state: 'cancelled', problem: '' };
  const words = error instanceof EvenburnError ? `${error.message}. ${error.cure}` : error instanceof Error ? error.message : String(error);
  return { state: 'failed', problem: (words.split('\n')[0] ?? '').replaceAll(path, name) };
}
