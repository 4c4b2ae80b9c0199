// Why spread of the pull in progress stands beside the last pull as it does; differences by hand.
import { expect, it } from 'vitest';
import type { PullNowView } from '../../server/contract/pull-now.ts';
import { explainBesideLast } from '../../server/live/beside-figure.ts';

const now = { phase: 'sweep', spreadK: 41.5, lastSpreadK: 33, rmsK: 12, lastRmsK: 14.5, last: { fromUs: 7_000_000, rpm: 4125 } };
const partsOf = (changed: object) => ({
  view: { timeUs: 60_000_000, now: { ...now, ...changed } as unknown as PullNowView['now'] },
  recording: 3,
});

it('is the difference of both at this engine speed, and leads to the last pull and to the channel', () => {
  const spread = explainBesideLast(partsOf({}), 'spread');
  expect(spread).toMatchObject({ value: 8.5, unit: 'K', isDifference: true, worked: ['41.5 − 33.0 (4125 rpm) = 8.5 K'] });
  expect(spread?.channels).toMatchObject([{ session: 3, channel: 'exhaust_spread', atUs: 60_000_000 }]);
  expect(spread?.figures).toMatchObject([{ figure: 'over/7000000/spread/4125', value: 33 }]);
  expect(explainBesideLast(partsOf({}), 'rms')).toMatchObject({ value: -2.5, figures: [{ figure: 'over/7000000/rms/4125' }] });
});

it.each([
  ['between pulls', { phase: 'none', lastSpreadK: null, last: null }, 'no pull is in progress now'],
  ['where no pull went', { lastSpreadK: null, last: null }, 'no pull before it had this engine speed'],
  ['without a number', { spreadK: null }, 'one of the two has no number'],
])('has no number %s, and says why', (_, changed, doubt) => {
  expect(explainBesideLast(partsOf(changed), 'spread')).toMatchObject({ value: null, worked: [], doubts: [doubt] });
});

it('is none of another quantity', () => {
  expect(explainBesideLast(partsOf({}), 'duty')).toBeUndefined();
});
