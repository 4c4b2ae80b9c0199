// What a person can do about an alarm, and whether the whole-screen warning was made small.
import { signal } from '@preact/signals';
import type { AlarmState } from '../../server/contract/alarms.ts';
import { sendJson, toProblem } from '../stream/api.ts';
import type { Feed } from '../stream/feed.ts';

/** The warning lies as a band on top instead of over the whole page; a new warning makes it whole again. */
export const warningSmall = signal(false);
/** Why the last acknowledgement failed; empty when it didn't. */
export const acknowledgeProblem = signal('');

export async function acknowledge(feed: Feed, alarm: string): Promise<void> {
  if (feed.mode !== 'live') return;
  try {
    await sendJson('POST', `/api/alarms/${encodeURIComponent(alarm)}/acknowledge`, {});
    acknowledgeProblem.value = '';
  } catch (error) {
    acknowledgeProblem.value = toProblem(error);
  }
}

/** Unacknowledged ones, the worst first, then first-out. */
export function waiting(active: AlarmState[]): AlarmState[] {
  const rank = { warning: 0, caution: 1, advisory: 2 } as const;
  return active
    .filter((alarm) => !alarm.acknowledged)
    .sort((a, b) => rank[a.severity] - rank[b.severity] || Number(b.firstOut) - Number(a.firstOut) || a.sequence - b.sequence);
}

export async function acknowledgeFirst(feed: Feed): Promise<void> {
  const first = waiting(feed.alarms.value.active)[0];
  if (first) await acknowledge(feed, first.name);
}
