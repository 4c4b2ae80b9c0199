// Why a temperature is ready for the next pull; windows by hand: 5 K of fluids, 30 K of the exhaust about how the first pull began.
import { expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { judgeReadiness } from '../../server/dyno/start-state.ts';
import { explainReadiness, type ReadyParts } from '../../server/live/ready-figure.ts';

const vehicle = await getVehicle('bus-definitions/garganey');
const first = { oil: 90, coolant: null, intake: 25, fuel: 20, exhaust: 435 };
const readiness = judgeReadiness(first, { oil: 84, coolant: 80, intake: 26, fuel: null, exhaust: 440 });
const parts = { vehicle, view: { timeUs: 7_000_000, now: { readiness } }, recording: 3 } as unknown as ReadyParts;

it('says what it was at the first pull, what it is now, and leads to the channel', () => {
  const figure = explainReadiness(parts, 'oil');
  expect(figure).toMatchObject({ value: 84, unit: 'degC', doubts: [] });
  expect(figure?.worked).toEqual(['first pull 90.0 degC ± 5 K: 85.0 to 95.0 degC', 'now 84.0 degC: outside']);
  expect(figure?.channels).toMatchObject([{ session: 3, channel: 'oil_temp', atUs: 7_000_000 }]);
});

it('of the exhaust is the median of the probes, and leads to each', () => {
  const figure = explainReadiness(parts, 'exhaust');
  expect(figure?.rule).toMatch(/^The median of the newest values of all probes/);
  expect(figure?.worked[0]).toBe('first pull 435.0 degC ± 30 K: 405.0 to 465.0 degC');
  expect(figure?.channels.map(({ channel }) => channel)).toEqual([1, 2, 3, 4, 5, 6].map((n) => `exhaust_temp_${n}`));
});

it('without a number now says so; what the first pull gave no number for has no window', () => {
  expect(explainReadiness(parts, 'fuel')).toMatchObject({ value: null, doubts: ['it gives no number now'] });
  expect(explainReadiness(parts, 'coolant')).toBeUndefined();
});
