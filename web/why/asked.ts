// Which number the person asked about; the panel that answers hangs on the page's shell.
import { signal } from '@preact/signals';
import type { WhyView } from '../../server/contract/why.ts';
import { getJson } from '../stream/api.ts';
import type { Feed } from '../stream/feed.ts';

/** A channel, and who knows its chain: the live stream, a replay, or a recorded session at one instant. */
export interface Question {
  channel: string;
  /** Again each time the person asks again. */
  ask(): Promise<WhyView>;
}

/** Undefined: nothing is asked and the panel is closed. */
export const asked = signal<Question | undefined>(undefined);

/** Opens 'Why this number?' for a channel as of now, in a replay as of its position. */
export function askWhy(channel: string, feed: Feed): void {
  asked.value = { channel, ask: () => feed.why(channel) };
}

/** Opens it for a channel of a recorded session. @param atUs Session time. */
export function askWhyAt(session: number, channel: string, atUs: number): void {
  const path = `/api/sessions/${session}/why/${encodeURIComponent(channel)}?at=${Math.round(atUs)}`;
  asked.value = { channel, ask: () => getJson<WhyView>(path) };
}
