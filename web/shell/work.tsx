// What a page does on the user's word, and what went wrong with it.
import { type Signal, useSignal } from '@preact/signals';
import { toProblem } from '../stream/api.ts';

/** Shows what went wrong, and what to do; nothing while `text` is empty. */
export function Problem({ text }: { text: string }) {
  return text === '' ? null : (
    <p class="problem" role="alert">
      {text}
    </p>
  );
}

export interface Attempts {
  /** Empty unless the last work failed. */
  problem: Signal<string>;
  attempt(work: () => Promise<unknown>): Promise<void>;
}

/** Runs work of which every call counts. */
export function useAttempts(): Attempts {
  const problem = useSignal('');
  const attempt = async (work: () => Promise<unknown>) => {
    try {
      await work();
      problem.value = '';
    } catch (error) {
      problem.value = toProblem(error);
    }
  };
  return { problem, attempt };
}

export interface Work {
  busy: Signal<boolean>;
  problem: Signal<string>;
  run(work: () => Promise<unknown>): Promise<void>;
}

/** Runs work from a button: one at a time, a second press is dropped. */
export function useWork(): Work {
  const busy = useSignal(false);
  const { problem, attempt } = useAttempts();
  const run = async (work: () => Promise<unknown>) => {
    if (busy.value) return;
    busy.value = true;
    await attempt(work);
    busy.value = false;
  };
  return { busy, problem, run };
}
