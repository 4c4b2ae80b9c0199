// Pulls and studies as the main process asks for them; a worker reads the sessions and judges.
import { Worker } from 'node:worker_threads';
import type { CompareQuery, PullsView, PullView, SetComparisonView, StudyView, TrialView } from '../contract/pulls.ts';
import type { FigureView } from '../contract/why.ts';
import { entryPath } from '../entries.ts';
import type { DrivenWindow, DynoAnswer, DynoQuestion } from './dyno-messages.ts';
import { toError } from './plain-error.ts';

type Waiting = { resolve: (result: never) => void; reject: (error: Error) => void };
type WithoutNumber<Q> = Q extends unknown ? Omit<Q, 'ask'> : never;

/** The worker starts with the first question. Errors: SESSION_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW. */
export class DynoDesk {
  private readonly data: string;
  private worker: Worker | undefined;
  private asked = 0;
  private readonly waiting = new Map<number, Waiting>();
  /** Questions on their way, by what they ask: two pages that ask the same get one answer. */
  private readonly underWay = new Map<string, Promise<unknown>>();

  constructor(data: string) {
    this.data = data;
  }

  /** A session that is still recorded is judged as far as it has come. */
  pulls(session: number): Promise<PullsView> {
    return this.ask({ kind: 'pulls', session });
  }

  /** @param sessions In the order in which they were run. */
  study(sessions: number[]): Promise<StudyView> {
    return this.ask({ kind: 'study', sessions });
  }

  /** Two sets of pulls in one quantity. Errors also: PULL_UNKNOWN, QUANTITY_UNKNOWN. */
  compare(query: CompareQuery): Promise<SetComparisonView> {
    return this.ask({ kind: 'compare', query });
  }

  /** Every trial that was written down about a vehicle, judged by the pulls before and behind it. */
  trials(vehicle: string): Promise<TrialView[]> {
    return this.ask({ kind: 'trials', vehicle });
  }

  /** Why a figure of a pull, a comparison or a study is what it is. Errors also: FIGURE_UNKNOWN. */
  figure(of: string): Promise<FigureView> {
    return this.ask({ kind: 'figure', of });
  }

  /** The pulls within what has just been driven, their times from its beginning. */
  window(window: DrivenWindow): Promise<PullView[]> {
    return this.send({ kind: 'window', window });
  }

  async close(): Promise<void> {
    await this.worker?.terminate();
  }

  private ask<T>(question: WithoutNumber<DynoQuestion>): Promise<T> {
    const key = JSON.stringify(question);
    const known = this.underWay.get(key);
    if (known) return known as Promise<T>;
    const answer = this.send<T>(question);
    this.underWay.set(key, answer);
    const done = () => this.underWay.delete(key);
    answer.then(done, done);
    return answer;
  }

  private send<T>(question: WithoutNumber<DynoQuestion>): Promise<T> {
    this.worker ??= this.start();
    const ask = ++this.asked;
    return new Promise<T>((resolve, reject) => {
      this.waiting.set(ask, { resolve, reject });
      this.worker?.postMessage({ ask, ...question });
    });
  }

  private start(): Worker {
    const worker = new Worker(entryPath('dyno'), { workerData: { data: this.data } });
    worker.unref();
    worker.on('message', ({ ask, result, error }: DynoAnswer) => {
      const waiting = this.waiting.get(ask);
      this.waiting.delete(ask);
      if (error) waiting?.reject(toError(error));
      else waiting?.resolve(result as never);
    });
    worker.on('error', (error) => this.fail(error));
    worker.on('exit', () => this.fail(new Error('the worker of pulls ended')));
    return worker;
  }

  /** Whoever waits is told; the next question starts a new worker. */
  private fail(error: Error): void {
    this.worker = undefined;
    for (const { reject } of this.waiting.values()) reject(error);
    this.waiting.clear();
  }
}
