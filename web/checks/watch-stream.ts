// The stream of a wiggle or unplug test: events the moment they happen, and who is silent now.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { WatchEventView, WatchView } from '../../server/contract/checks.ts';
import { getJson } from '../stream/api.ts';
import { hearEvents } from '../stream/event-stream.ts';

export interface WatchFeed {
  state: Signal<WatchView | undefined>;
  /** Newest first. */
  events: Signal<WatchEventView[]>;
  /** Nothing comes: what stands there is old. */
  lost: Signal<boolean>;
}

export function useWatchStream(): WatchFeed {
  const state = useSignal<WatchView | undefined>(undefined);
  const events = useSignal<WatchEventView[]>([]);
  const lost = useSignal(false);
  useEffect(() => {
    const hear = (view: WatchView) => {
      const newest = events.value[0]?.number ?? 0;
      state.value = view;
      if (view.newest < newest) events.value = [...view.events].reverse();
      else {
        const fresh = view.events.filter(({ number }) => number > newest);
        if (fresh.length > 0) events.value = [...fresh.reverse(), ...events.value];
        if ((events.value[0]?.number ?? 0) < view.newest || hasHole(events.value)) void refill(events);
      }
    };
    const isLost = (is: boolean) => () => {
      lost.value = is;
    };
    return hearEvents('api/checks/watch/stream', hear, { opened: isLost(false), lost: isLost(true) });
  }, []);
  return { state, events, lost };
}

function hasHole(events: readonly WatchEventView[]): boolean {
  return events.some(({ number }, i) => i > 0 && (events[i - 1] as WatchEventView).number !== number + 1);
}

/** Lines were left out: the server still has the events. */
async function refill(events: Signal<WatchEventView[]>): Promise<void> {
  try {
    events.value = [...(await getJson<WatchView>('/api/checks/watch')).events].reverse();
  } catch {
    // The stream itself says that the connection is gone.
  }
}
