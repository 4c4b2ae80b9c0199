// Long work on stored sessions as the main process sees it: each piece in a worker of its own, re-readings in a queue that can be cancelled.
import { createReadStream } from 'node:fs';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Readable } from 'node:stream';
import type { Worker } from 'node:worker_threads';
import { machineClock } from '../clock.ts';
import type { ExportQuery, ReadingsComparison, RereadJob } from '../contract/session-tasks.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { rereadJobsKeptMax, sessionTasksMax } from '../limits.ts';
import type { ExportOptions } from './export-session.ts';
import type { SessionAddress } from './history-questions.ts';
import { runTask } from './run-task.ts';
import type { Task, TaskResults } from './task-messages.ts';

export interface TaskParts {
  data: string;
  /** The definitions of today. */
  vehicle(): Vehicle;
  /** Called before a session file is written by a task, so that nobody else holds it open. */
  release(session: number): Promise<void>;
}

interface Running<R> {
  done: Promise<R>;
  cancel(): void;
}

/** The re-reading that is under way; its worker comes a moment later. */
interface CurrentReread {
  cancelled: boolean;
  running?: Running<TaskResults['reread']>;
}

/** Errors of all: SESSION_UNKNOWN, READING_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW. */
export class SessionTasks {
  private readonly parts: TaskParts;
  private readonly jobs: (RereadJob & { use: boolean })[] = [];
  private numbered = 0;
  private current: CurrentReread | undefined;
  private readonly workers = new Set<Worker>();
  private waiting: (() => void)[] = [];
  private closed = false;

  constructor(parts: TaskParts) {
    this.parts = parts;
  }

  /** The page of a session as HTML. */
  report({ session, reading }: SessionAddress): Promise<string> {
    return this.inTurn({ kind: 'report', session, reading, nowWallMs: machineClock.wallMs() });
  }

  compare(session: number, reading: number, against: number): Promise<ReadingsComparison> {
    return this.inTurn({ kind: 'compare', session, reading, against });
  }

  /**
   * A session as a file: its bytes, and the name that it should have. The file is gone when the stream ends or is destroyed.
   * @throws EvenburnError also CHANNEL_UNKNOWN, OUTPUT_FILE_UNWRITABLE
   */
  async export(session: number, { format, channels, every, reading }: ExportQuery): Promise<{ name: string; bytes: Readable }> {
    const folder = await mkdtemp(join(tmpdir(), 'evenburn-export-'));
    const gone = () => rm(folder, { recursive: true, force: true });
    const path = join(folder, 'out');
    const options: ExportOptions = {
      format,
      path,
      ...(channels === undefined ? {} : { channels: channels.split(',') }),
      ...(every === undefined ? {} : { everyUs: every }),
      ...(reading === undefined ? {} : { reading }),
    };
    try {
      await this.inTurn({ kind: 'export', session, options });
      const bytes = createReadStream(path);
      bytes.once('close', () => void gone());
      return { name: `session-${session}.${format === 'session' ? 'sqlite' : format}`, bytes };
    } catch (error) {
      await gone();
      throw error;
    }
  }

  /** Re-readings, oldest first. */
  rereads(): RereadJob[] {
    return this.jobs.map(({ use: _, ...job }) => ({ ...job }));
  }

  /** Adds sessions to the queue; one that waits or runs already is not added twice. */
  reread(sessions: readonly number[], use: boolean): void {
    for (const session of new Set(sessions)) {
      if (this.isBusy(session)) continue;
      const known = { reading: null, beside: null, identical: null, channelsChanged: 0, alarmsMore: 0, alarmsFewer: 0, problem: '' };
      this.jobs.push({ job: ++this.numbered, session, state: 'waiting', share: 0, use, ...known });
    }
    while (this.jobs.length > rereadJobsKeptMax && isOver(this.jobs[0] as RereadJob)) this.jobs.shift();
    void this.rereadNext();
  }

  /** Cancels one re-reading, or all of them; what is half read is taken away. @throws EvenburnError REREAD_UNKNOWN */
  cancel(job?: number): void {
    const found = this.jobs.filter((one) => job === undefined || one.job === job);
    if (job !== undefined && found.length === 0) throw new EvenburnError('REREAD_UNKNOWN', { job });
    for (const one of found) {
      if (one.state === 'waiting') one.state = 'cancelled';
      else if (one.state === 'running' && this.current) {
        this.current.cancelled = true;
        this.current.running?.cancel();
      }
    }
  }

  /** A session that waits to be read again, or is being read, may not be moved. */
  isBusy(session: number): boolean {
    return this.jobs.some((job) => job.session === session && !isOver(job));
  }

  /** Cancels what runs and waits for its end. */
  async close(): Promise<void> {
    this.closed = true;
    this.cancel();
    await this.current?.running?.done.catch(() => undefined);
    await Promise.all([...this.workers].map((worker) => worker.terminate()));
  }

  private async rereadNext(): Promise<void> {
    const job = this.jobs.find(({ state }) => state === 'waiting');
    if (!job || this.current || this.closed) return;
    job.state = 'running';
    const current: CurrentReread = { cancelled: false };
    this.current = current;
    const { session, use } = job;
    try {
      await this.parts.release(session);
      const task = { kind: 'reread' as const, session, files: this.parts.vehicle().files, nowWallMs: machineClock.wallMs(), use };
      current.running = this.run<'reread'>(task, (share) => {
        job.share = share;
      });
      if (current.cancelled) current.running.cancel();
      const { reading, comparison } = await current.running.done;
      const { channels, onlyOld, onlyNew } = comparison;
      Object.assign(job, {
        state: 'done',
        share: 1,
        reading,
        beside: comparison.against,
        identical: comparison.identical,
        channelsChanged: channels.length + onlyOld.length + onlyNew.length,
        alarmsMore: comparison.alarmsMore.length,
        alarmsFewer: comparison.alarmsFewer.length,
      });
    } catch (error) {
      job.state = isAbort(error) ? 'cancelled' : 'failed';
      if (job.state === 'failed') job.problem = toWords(error);
    }
    this.current = undefined;
    void this.rereadNext();
  }

  /** Runs a task when fewer than the bound are running: whoever asks for many reports waits, and the machine is left for the rest. */
  private async inTurn<K extends Exclude<Task['kind'], 'reread' | 'search'>>(task: Extract<Task, { kind: K }>): Promise<TaskResults[K]> {
    while (this.workers.size >= sessionTasksMax) await new Promise<void>((free) => this.waiting.push(free));
    return this.run<K>(task, () => undefined).done;
  }

  private run<K extends Task['kind']>(task: Extract<Task, { kind: K }>, progress: (share: number) => void): Running<TaskResults[K]> {
    const { worker, done } = runTask<K>(this.parts.data, task, progress);
    this.workers.add(worker);
    worker.on('exit', () => {
      this.workers.delete(worker);
      this.waiting.shift()?.();
    });
    return { done, cancel: () => worker.postMessage({ kind: 'cancel' }) };
  }
}

function isOver({ state }: RereadJob): boolean {
  return state !== 'waiting' && state !== 'running';
}

/** An abort crosses the thread as its words alone. */
function isAbort(error: unknown): boolean {
  return error instanceof Error && error.message.includes('AbortError');
}

function toWords(error: unknown): string {
  if (error instanceof EvenburnError) return `${error.message}. ${error.cure}`;
  return error instanceof Error ? (error.message.split('\n')[0] ?? '') : String(error);
}
