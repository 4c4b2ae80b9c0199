// The stream of the pull in progress, and what is said of the last one as soon as it is over.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { PullNowView } from '../../server/contract/pull-now.ts';
import { getJson } from '../stream/api.ts';
import { hearEvents } from '../stream/event-stream.ts';

export interface PullFeed {
  view: Signal<PullNowView | undefined>;
  over: Signal<NonNullable<PullNowView['over']> | undefined>;
  /** Nothing comes: what stands there is old. */
  lost: Signal<boolean>;
}

/** Without a line for so long what stands there is old; lines come ten times a second. */
const silentMs = 750;

export function usePullStream(): PullFeed {
  const view = useSignal<PullNowView | undefined>(undefined);
  const over = useSignal<NonNullable<PullNowView['over']> | undefined>(undefined);
  const lost = useSignal(false);
  useEffect(() => {
    let heardMs = performance.now();
    let version = -1;
    let refilling = false;
    const take = (next: PullNowView) => {
      heardMs = performance.now();
      lost.value = false;
      view.value = next;
      if (next.over !== undefined) {
        version = next.overVersion;
        over.value = next.over ?? undefined;
      } else if (next.overVersion !== version && !refilling) {
        // The line that told of it was left out: the server still has it.
        refilling = true;
        const done = () => {
          refilling = false;
        };
        getJson<PullNowView>('/api/pulls/now')
          .then(take, () => undefined)
          .then(done);
      }
    };
    const stop = hearEvents('api/pulls/now/stream', take, {
      lost() {
        lost.value = true;
      },
    });
    const timer = setInterval(() => {
      if (performance.now() - heardMs > silentMs) lost.value = true;
    }, 250);
    return () => {
      clearInterval(timer);
      stop();
    };
  }, []);
  return { view, over, lost };
}
