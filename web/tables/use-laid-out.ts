// A table laid out by the server again and again while somebody types.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { sendJson, toProblem } from '../stream/api.ts';

/** Typing rests so long before the table is laid out anew. */
const settleMs = 250;

/** @param asked The body of the request; another object asks again. A blank text is not asked for. */
export function useLaidOut<View>(path: string, asked: { text: string }): { view: Signal<View | undefined>; problem: Signal<string> } {
  const view = useSignal<View | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    if (asked.text.trim() === '') {
      [view.value, problem.value] = [undefined, ''];
      return;
    }
    let left = false;
    const lay = async () => {
      try {
        const answer = await sendJson<View>('POST', path, asked);
        if (!left) [view.value, problem.value] = [answer, ''];
      } catch (error) {
        if (!left) [view.value, problem.value] = [undefined, toProblem(error)];
      }
    };
    const timer = setTimeout(() => void lay(), settleMs);
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [asked]);
  return { view, problem };
}
