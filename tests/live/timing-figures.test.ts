// Numbers of the timing check explained; by hand: errors of −1° at 1000 rpm and −4° at 4000 rpm lie on a line through 0 with −0.001° a revolution
// a minute, which a delay of 0.001 / 6e-6 = 167 µs makes.
import { expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { judgeTiming } from '../../server/engine-history/timing-check.ts';
import { explainHistoryFigure, type HistoryBehind } from '../../server/live/history-figures.ts';

const about = { by: 'R', wallMs: 0, note: '', commandedDeg: 20, syncLosses: null };
const readings = [
  { ...about, entry: 7, speedRpm: 1000, lightDeg: 19 },
  { ...about, entry: 9, speedRpm: 4000, lightDeg: 16 },
];
const timing = judgeTiming(readings);
const behind = {
  history: { timing },
  vehicle: await getVehicle('bus-definitions/garganey'),
  startUsOf: async () => 0,
} as unknown as HistoryBehind;
const explain = (of: string) => explainHistoryFigure(behind, ['timing', of]);

it('of a reading is light less commanded', async () => {
  expect(await explain('9')).toMatchObject({
    value: -4,
    unit: 'deg',
    isDifference: true,
    worked: ['4000 rpm: 16.0 − 20.0 = −4.0 deg'],
    doubts: ['typed by R; a damper is read to half a degree with a steady hand'],
  });
});

it('of the delay is the slope through all readings, with each of them behind it', async () => {
  const figure = await explain('timing-delay');
  expect(figure).toMatchObject({ value: 167, unit: 'us' });
  expect(figure?.worked.slice(0, 2)).toEqual(['1000 rpm: 19.0 − 20.0 = −1.0 deg', '4000 rpm: 16.0 − 20.0 = −4.0 deg']);
  expect(figure?.figures.map(({ figure: of, value }) => [of, value])).toEqual([
    ['history/timing/7', -1],
    ['history/timing/9', -4],
  ]);
});

it('is none of a reading or a verdict that is not there', async () => {
  expect([await explain('8'), await explain('timing-scatter'), await explain('')]).toEqual([undefined, undefined, undefined]);
});
