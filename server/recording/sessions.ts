// Stored sessions as the main process sees them: questions go to the history worker, changes to the recorder, which alone writes.
import { Worker } from 'node:worker_threads';
import type { InstantView, SessionChange, SessionDetail, StepView } from '../contract/replay.ts';
import type { SessionsView, SessionView } from '../contract/sessions.ts';
import type { WhyView } from '../contract/why.ts';
import type { WindowQuery, WindowView } from '../contract/window.ts';
import { entryPath } from '../entries.ts';
import { diskWarningBytes } from '../limits.ts';
import type { HistoryAnswer, HistoryQuestion, HistoryQuestions, SessionAddress } from './history-questions.ts';
import { toError } from './plain-error.ts';
import type { Recorder } from './recorder.ts';
import type { KeepSessions } from './recorder-messages.ts';

export type { SessionAddress } from './history-questions.ts';

type Waiting = { resolve: (result: never) => void; reject: (error: Error) => void };

/**
 * Sessions of a data folder. The worker starts with the first question. Errors: SESSION_UNKNOWN, READING_UNKNOWN, CHANNEL_UNKNOWN,
 * SESSION_RECORDING, SESSION_DAMAGED, REQUEST_WRONG.
 */
export class Sessions {
  private readonly data: string;
  private readonly recorder: Pick<Recorder, 'call'>;
  private readonly keep: KeepSessions;
  private worker: Worker | undefined;
  private asked = 0;
  private readonly waiting = new Map<number, Waiting>();

  constructor(data: string, recorder: Pick<Recorder, 'call'>, keep: KeepSessions = {}) {
    this.data = data;
    this.recorder = recorder;
    this.keep = keep;
  }

  /** Newest first. */
  async list(search = ''): Promise<SessionsView> {
    const { keep, ...listed } = await this.ask('list', search);
    const { bytesMax = null, daysMax = null } = this.keep;
    return { ...listed, keep: { ...keep, warningBytes: diskWarningBytes, bytesMax, daysMax } };
  }

  detail(of: SessionAddress): Promise<SessionDetail> {
    return this.ask('detail', of);
  }

  instant(of: SessionAddress, atUs: number): Promise<InstantView> {
    return this.ask('instant', of, atUs);
  }

  step(of: SessionAddress, atUs: number, to: 'next' | 'previous'): Promise<StepView> {
    return this.ask('step', of, atUs, to);
  }

  window(of: SessionAddress, query: WindowQuery): Promise<WindowView> {
    return this.ask('window', of, query);
  }

  why(of: SessionAddress, channel: string, atUs: number): Promise<WhyView> {
    return this.ask('why', of, channel, atUs);
  }

  async change(session: number, change: SessionChange): Promise<SessionView> {
    const { reading, ...notes } = change;
    if (reading !== undefined) {
      await this.recorder.call('show', session, reading);
      await this.release(session);
    }
    if (Object.keys(notes).length > 0) await this.recorder.call('change', session, notes);
    return this.ask('summary', session);
  }

  /** Lays it aside; `restore` brings it back while it is still there. */
  async remove(session: number): Promise<void> {
    await this.release(session);
    await this.recorder.call('remove', session);
  }

  async restore(session: number): Promise<void> {
    await this.recorder.call('restore', session);
  }

  /** Lets go of a session's file, so that it can be moved or written. */
  async release(session: number): Promise<void> {
    if (this.worker) await this.ask('release', session);
  }

  async close(): Promise<void> {
    await this.worker?.terminate();
  }

  private ask<N extends keyof HistoryQuestions>(
    name: N,
    ...args: Parameters<HistoryQuestions[N]>
  ): Promise<ReturnType<HistoryQuestions[N]>> {
    this.worker ??= this.start();
    const question: HistoryQuestion = { ask: ++this.asked, name, args };
    return new Promise((resolve, reject) => {
      this.waiting.set(question.ask, { resolve, reject });
      this.worker?.postMessage(question);
    });
  }

  private start(): Worker {
    const worker = new Worker(entryPath('history'), { workerData: { data: this.data } });
    worker.unref();
    worker.on('message', ({ ask, result, error }: HistoryAnswer) => {
      const waiting = this.waiting.get(ask);
      this.waiting.delete(ask);
      if (error) waiting?.reject(toError(error));
      else waiting?.resolve(result as never);
    });
    worker.on('error', (error) => this.fail(error));
    worker.on('exit', () => this.fail(new Error('the history worker ended')));
    return worker;
  }

  /** Whoever waits is told; the next question starts a new worker. */
  private fail(error: Error): void {
    this.worker = undefined;
    for (const { reject } of this.waiting.values()) reject(error);
    this.waiting.clear();
  }
}
