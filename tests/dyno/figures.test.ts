// Derived figures explain themselves: worked numbers by hand, links that lead down to channels, and no number where there is none.
import { describe, expect, it } from 'vitest';
import type { SeriesSet } from '../../server/channels/series.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { compareSets } from '../../server/dyno/compare-sets.ts';
import { type ComparedBehind, explainDifference } from '../../server/dyno/comparison-figures.ts';
import type { Figure } from '../../server/dyno/figure.ts';
import { explainPullFigure, type PullBehind } from '../../server/dyno/pull-figures.ts';
import { summarisePulls } from '../../server/dyno/pull-summary.ts';
import type { Pull } from '../../server/dyno/pulls.ts';
import { makeSeries } from '../doubles/made-series.ts';

const vehicle = {
  engine: {
    cycle: 'four-stroke',
    roles: { speed: 'rpm', throttle: 'throttle', oilTemp: 'oil', battery: 'volts' },
    lambda: new Map(),
    barometer: { valueKpa: 97 },
    exhaustTemps: [1, 2, 3].map((cylinder) => ({ cylinder, channel: `t${cylinder}`, place: 'port', lagS: { low: 0.5, high: 1 } })),
  },
  injectorSets: [
    {
      name: 'port-side',
      cylinders: [1, 2, 3],
      pulse: 'pulse',
      injectionsPerCycle: 1,
      flow: { ccPerMin: 900, atKpa: 300 },
      deadTime: [
        [9, 1.5],
        [14, 1],
      ],
      pump: { ccPerMin: 2000 },
    },
  ],
  limits: { exhaustTempC: 780, exhaustSpreadK: 80, dutyPercent: 85 },
  buses: [{ frames: [{ signals: [{ name: 'dyno_torque', unit: 'Nm' }] }] }],
  derived: [],
} as unknown as Vehicle;

const sweep: Pull = { kind: 'sweep', from: 2, to: 6, speedFrom: 3000, speedTo: 5000, complete: true };

/** 500 rpm/s between 2 and 6 s. `hot` is what cylinder 3 has more. */
function recorded(hot: number): SeriesSet {
  return makeSeries(20, {
    rpm: { unit: 'rpm', at: (s) => 3000 + 500 * Math.min(4, Math.max(0, s - 2)) },
    throttle: { unit: '%', at: () => 100 },
    oil: { unit: 'degC', at: () => 85 },
    volts: { unit: 'V', at: () => 14 },
    t1: { unit: 'degC', at: () => 600 },
    t2: { unit: 'degC', at: () => 630 },
    t3: { unit: 'degC', at: () => 660 + hot },
    duty_port_side: { unit: '%', at: (s) => (s > 3.96 && s < 4.04 ? 60 : 50) },
    fuel_delta_port_side: { unit: 'kPa', at: () => 300 },
    dyno_torque: { unit: 'Nm', at: () => 200 },
  });
}

const air = { stationKpa: 97, roomC: 30, humidityPercent: 0 };

function behind(session: number, hot: number): PullBehind {
  const named = { ...sweep, number: 2, name: '', byHand: false };
  const parts = { series: recorded(hot), vehicle, air, logs: [] };
  const [summary] = summarisePulls(parts, [named]);
  if (!summary) throw new Error('no summary');
  return { session, address: ['pulls', session, 2], called: `pull 2 of session ${session}`, startUs: 0, vehicle, summary };
}

const pull = behind(7, 0);
const explain = (...key: (string | number)[]): Figure => {
  const figure = explainPullFigure(pull, key.map(String));
  if (!figure) throw new Error(`no figure ${key.join(' ')}`);
  return figure;
};

describe('a figure of a pull', () => {
  it('of a band is the mean of its samples, with the channel as of the middle of its stretch', () => {
    // 4000 to 4250 rpm are 4.00 to 4.49 s: ten samples, 20 a second.
    const temp = explain('temp', 4125, 3);
    expect(temp.value).toBe(660);
    expect(temp.worked).toEqual(['mean of 10 samples of 660.0 to 660.0 degC: 660.0 degC']);
    expect(temp.channels).toEqual([{ session: 7, channel: 't3', atUs: 4_225_000, what: '10 samples, 660.0 to 660.0 degC' }]);
    expect(temp.stretches).toEqual([
      {
        session: 7,
        fromUs: 4_000_000,
        toUs: 4_450_000,
        what: 'pull 2 of session 7 (sweep), 2.00 to 6.00 s; samples of the band from 4.00 to 4.45 s',
      },
    ]);
  });

  it('of spread and RMS is worked by hand, and leads to the temperatures', () => {
    expect(explain('spread', 4125).worked).toEqual(['660.0 (cylinder 3) − 600.0 (cylinder 1) = 60.0 K']);
    // √((30² + 0² + 30²) / 3) = 24.49
    expect(explain('rms', 4125).worked).toEqual(['mean 630.0 degC', '√(((−30.0)² + (0.0)² + (30.0)²) / 3) = 24.5 K']);
    expect(explain('deviation', 4125, 3).worked[1]).toBe('660.0 − 615.0 = 45.0 K');
    expect(explain('spread', 4125).figures.map(({ figure, value }) => [figure, value])).toEqual([
      ['pulls/7/2/temp/4125/1', 600],
      ['pulls/7/2/temp/4125/2', 630],
      ['pulls/7/2/temp/4125/3', 660],
    ]);
    expect(explain('left-spread').worked).toEqual(['80.0 − 60.0 = 20.0 K']);
    expect(explain('left', 3).worked).toEqual(['780.0 − 660.0 = 120.0 K']);
  });

  it('of fuel asked is static flow by the root of the pressure drop, times the open share', () => {
    // 60 % at 4000 rpm: one injection in 30 ms, 1 ms dead at 14 V: 56.7 % open of 3 × 900 cc/min.
    expect(explain('asked', 'port-side')).toMatchObject({
      value: 1530,
      worked: [
        '3 injectors × 900 cc/min × √(300 / 300 kPa) = 2700 cc/min',
        'open share: 60.0 % − 1.000 ms dead of 30.00 ms = 56.7 %',
        '2700 × 56.7 % = 1530 cc/min',
      ],
    });
    expect(explain('of-pump', 'port-side').worked.at(-1)).toBe('1530 / 2000 cc/min of the pump = 76.5 %');
    expect(explain('duty', 'port-side').channels).toEqual([{ session: 7, channel: 'duty_port_side', atUs: 4_000_000, what: '60.0 %' }]);
    expect(explain('left-duty').figures.map(({ figure }) => figure)).toEqual(['pulls/7/2/duty/port-side']);
  });

  it('of power is torque × speed × 2π / 60, corrected by SAE J1349 with the numbers that were typed', () => {
    expect(explain('torque', 4125).value).toBe(200);
    // Means of ten samples of 4000 to 4225 rpm: 4112.5 rpm. 200 × 4112.5 × 2π / 60,000 = 86.13 kW.
    expect(explain('power', 4125).value).toBe(86.1);
    // 97 kPa dry, 30 °C: 1.03439 (docs of correctionSaeJ1349, by hand).
    expect(explain('factor').value).toBe(1.0344);
    expect(explain('factor').source).toContain('SAE J1349');
    expect(explain('power-corrected', 4125).worked).toEqual(['86.1 × 1.0344 = 89.1 kW']);
    expect(explain('torque', 4125).channels.map(({ channel }) => channel)).toEqual(['dyno_torque', 'rpm']);
  });

  it('of a start is a median before the pull, and says so where nothing was known', () => {
    expect(explain('start', 'oil')).toMatchObject({ value: 85, stretches: [{ fromUs: 500_000, toUs: 2_000_000 }] });
    expect(explainPullFigure(pull, ['start', 'coolant'])).toBeUndefined();
  });

  it('is undefined for what the pull has not, whatever is asked', () => {
    for (const key of [
      [],
      ['spread'],
      ['spread', '9999'],
      ['temp', '4125', '9'],
      ['duty', 'no such set'],
      ['toString'],
      ['constructor', '1'],
      ['peak', 'x'],
    ])
      expect([key, explainPullFigure(pull, key)]).toEqual([key, undefined]);
  });
});

describe('a difference of two sets of pulls', () => {
  it('lists each value, its mean, the fit, and its interval by the table of Student', () => {
    const of = (session: number, hot: number, set: ComparedBehind['set'], order: number): ComparedBehind => {
      const about = behind(session, hot);
      return { set, order, profile: about.summary.profile, start: about.summary.start, behind: about };
    };
    const pulls = [of(1, 0, 'before', 1), of(2, 2, 'before', 2), of(3, 20, 'after', 3), of(4, 22, 'after', 4)];
    const sets = { before: '1:2,2:2', after: '3:2,4:2', quantity: 'spread' };
    const comparison = compareSets(pulls, 'spread');
    if (!comparison) throw new Error('nothing compared');
    const all = explainDifference(comparison, pulls, sets, 'all');
    // 61 before, 81 after; each pair apart by 2: pooled s = √2, standard error √2 × √(1/2 + 1/2) = 1.414; t(0.975, 2) = 4.303 (any table).
    expect(all?.worked).toEqual([
      'A: 60.0 (pull 2 of session 1), 62.0 (pull 2 of session 2); mean 61.0',
      'B: 80.0 (pull 2 of session 3), 82.0 (pull 2 of session 4); mean 81.0',
      'B less A: 20.0 K',
      'one pull repeats to ± 1.4 K (2 degrees of freedom); standard error of the difference 1.4 K',
      '95 % interval: 20.0 ± 4.303 × 1.4: 13.9 to 26.1 K',
      'the whole interval lies on one side of 0: higher',
    ]);
    const cell = comparison.cells.findIndex(({ speed }) => speed === 4125);
    const one = explainDifference(comparison, pulls, sets, cell);
    expect(one?.figures.map(({ figure, value }) => [figure, value])).toEqual([
      ['pulls/1/2/spread/4125', 60],
      ['pulls/2/2/spread/4125', 62],
      ['pulls/3/2/spread/4125', 80],
      ['pulls/4/2/spread/4125', 82],
    ]);
    expect(explainDifference(comparison, pulls, sets, 999)).toBeUndefined();
  });
});
