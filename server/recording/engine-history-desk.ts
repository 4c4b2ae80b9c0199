// The engine's history as the main process asks for it: a worker reads the sessions, one for all who ask meanwhile.
import type { EngineHistoryView } from '../contract/engine-history.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { type RunningTask, runTask } from './run-task.ts';

export class EngineHistoryDesk {
  private readonly data: string;
  private running: { key: string; task: RunningTask<EngineHistoryView> } | undefined;
  private closed = false;

  constructor(data: string) {
    this.data = data;
  }

  /** @param vehicle Today's definitions. Sessions that can't be read are named in the answer. */
  history({ name, hash, files }: Vehicle): Promise<EngineHistoryView> {
    if (this.closed) return Promise.reject(new Error('the server ends'));
    const key = `${name} ${hash}`;
    if (this.running?.key === key) return this.running.task.done;
    const task = runTask(this.data, { kind: 'engine-history', files });
    const running = { key, task };
    this.running = running;
    const done = () => {
      if (this.running === running) this.running = undefined;
    };
    task.done.then(done, done);
    return task.done;
  }

  async close(): Promise<void> {
    this.closed = true;
    await this.running?.task.worker.terminate();
  }
}
