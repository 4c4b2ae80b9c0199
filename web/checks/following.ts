// What pages of the checks ask again and again, and how a refusal is told.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { useAttempts } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';

export interface Followed<T> {
  value: Signal<T | undefined>;
  /** Empty while all is well; else what was refused, or that nothing answers and the value is old. */
  problem: Signal<string>;
  /** Runs a request whose refusal is shown, then asks anew. */
  attempt(work: () => Promise<unknown>): Promise<void>;
}

/** Asks for `path` every so often while the page is in sight. */
export function useFollowed<T>(path: string, everyMs: number): Followed<T> {
  const value = useSignal<T | undefined>(undefined);
  const problem = useSignal('');
  const { problem: refused, attempt: tried } = useAttempts();
  const refresh = async () => {
    try {
      value.value = await getJson<T>(path);
      problem.value = refused.value;
    } catch (error) {
      problem.value = `What stands here is old. ${toProblem(error)}`;
    }
  };
  useEffect(() => {
    let asking = false;
    const look = async () => {
      if (asking || document.hidden) return;
      asking = true;
      await refresh();
      asking = false;
    };
    void look();
    const timer = setInterval(() => void look(), everyMs);
    return () => clearInterval(timer);
  }, [path, everyMs]);
  const attempt = async (work: () => Promise<unknown>) => {
    await tried(work);
    await refresh();
  };
  return { value, problem, attempt };
}
