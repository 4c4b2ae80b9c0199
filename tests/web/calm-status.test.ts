// How seconds that run are spoken: seldom enough to be listened to.
import { expect, it } from 'vitest';
import { toSpokenSeconds } from '../../web/shell/calm-status.tsx';

it('speaks a minute of waiting seven times, and never less than is left', () => {
  const seconds = Array.from({ length: 60 }, (_, i) => 60 - i);
  const spoken = seconds.map(toSpokenSeconds);
  expect([...new Set(spoken)]).toEqual([60, 50, 40, 30, 20, 10, 5]);
  for (const [i, left] of seconds.entries()) expect(spoken[i]).toBeGreaterThanOrEqual(Math.min(left, 5));
});
