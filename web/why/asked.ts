// Which number the person asked about; the panel that answers hangs on the page's shell.
import { signal } from '@preact/signals';
import type { Feed } from '../stream/feed.ts';

/** A channel and where its value was read: the live stream or a replay. */
export interface Question {
  channel: string;
  feed: Feed;
}

/** Undefined: nothing is asked and the panel is closed. */
export const asked = signal<Question | undefined>(undefined);

/** Opens 'Why this number?' for a channel. */
export function askWhy(channel: string, feed: Feed): void {
  asked.value = { channel, feed };
}
