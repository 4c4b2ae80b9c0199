// Starts a worker for one piece of long work on sessions.
import { Worker } from 'node:worker_threads';
import { entryPath } from '../entries.ts';
import type { ReadingPace } from '../exchange/reading-pace.ts';
import { toError } from './plain-error.ts';
import type { FromTask, Task, TaskResults } from './task-messages.ts';

export interface RunningTask<R> {
  worker: Worker;
  /** Rejected with the work's error, or when the worker ends before. */
  done: Promise<R>;
}

/** @param progress Told how much is done, 0 to 1; of a recorded file being read also how fast it goes. */
export function runTask<K extends Task['kind']>(
  data: string,
  task: Extract<Task, { kind: K }>,
  progress: (share: number, pace?: ReadingPace) => void = () => undefined,
): RunningTask<TaskResults[K]> {
  const worker = new Worker(entryPath('task'), { workerData: { data, task } });
  const done = new Promise<TaskResults[K]>((resolve, reject) => {
    worker.on('message', (message: FromTask) => {
      if (message.kind === 'progress') progress(message.share, message.pace);
      else if (message.kind === 'done') resolve(message.result as TaskResults[K]);
      else reject(toError(message.error));
    });
    worker.on('error', reject);
    worker.on('exit', () => reject(new Error('the worker ended before its work')));
  });
  return { worker, done };
}
