// A history worker and the questions on their way to it, as the main process sees them.
import { Worker } from 'node:worker_threads';
import { entryPath } from '../entries.ts';
import type { HistoryAnswer, HistoryQuestion, HistoryQuestions } from './history-questions.ts';
import { toError } from './plain-error.ts';

type Waiting = { resolve: (result: never) => void; reject: (error: Error) => void };

/** Answers in the order of the questions. The worker starts with the first; after it has failed, with the next. */
export class HistoryLane {
  private readonly data: string;
  private worker: Worker | undefined;
  private asked = 0;
  private readonly waiting = new Map<number, Waiting>();

  constructor(data: string) {
    this.data = data;
  }

  ask<N extends keyof HistoryQuestions>(
    name: N,
    ...args: Parameters<HistoryQuestions[N]>
  ): Promise<Awaited<ReturnType<HistoryQuestions[N]>>> {
    this.worker ??= this.start();
    const question: HistoryQuestion = { ask: ++this.asked, name, args };
    return new Promise((resolve, reject) => {
      this.waiting.set(question.ask, { resolve, reject });
      this.worker?.postMessage(question);
    });
  }

  /** Lets go of a session's file; a worker that never started holds none. */
  async release(session: number): Promise<void> {
    if (this.worker) await this.ask('release', session);
  }

  async close(): Promise<void> {
    await this.worker?.terminate();
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

  /** Whoever waits is told. */
  private fail(error: Error): void {
    this.worker = undefined;
    for (const { reject } of this.waiting.values()) reject(error);
    this.waiting.clear();
  }
}
