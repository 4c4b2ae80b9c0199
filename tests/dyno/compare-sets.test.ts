// Two sets of pulls compared cell by cell of speed and load, and trials judged by them; profiles made by hand.
import { describe, expect, it } from 'vitest';
import { compareSets, findQuantity, type SetPull } from '../../server/dyno/compare-sets.ts';
import { judgeTrial } from '../../server/dyno/judge-trial.ts';
import type { PullProfile, SpeedBand } from '../../server/dyno/pull-profile.ts';
import type { StartState } from '../../server/dyno/start-state.ts';

const noStart: StartState = { oil: null, coolant: null, intake: null, fuel: null, exhaust: null };

function band(speed: number, load: number | null, temps: (number | null)[]): SpeedBand {
  const known = temps.filter((temp) => temp !== null);
  return {
    speed,
    load,
    temps,
    spreadK: known.length < 2 ? null : Math.max(...known) - Math.min(...known),
    rmsK: 1,
    duty: [50],
    deltaKpa: [300],
    lambda: [0.9, null],
    timing: 20,
  };
}

function pull(set: SetPull['set'], order: number, bands: SpeedBand[], kind: PullProfile['kind'] = 'hold', start = noStart): SetPull {
  const profile: PullProfile = {
    kind,
    from: 0,
    to: 8,
    speedFrom: 3000,
    speedTo: 6000,
    complete: true,
    cylinders: [1, 2, 3, 4],
    peaks: [],
    bands,
    sets: [{ set: 'port', dutyMax: 50, deltaMin: 300, deltaMax: 300 }],
  };
  return { set, order, profile, start };
}

describe('quantities that pulls are compared in', () => {
  it.each([
    ['spread', 40],
    ['temp:2', 620],
    ['deviation:4', 30],
    ['duty:port', 50],
    ['delta:port', 300],
    ['lambda', 0.9],
    ['timing', 20],
  ])('%s is %d', (name, value) => {
    const one = pull('before', 1, [band(4000, 100, [600, 620, 610, 640])]);
    expect(findQuantity(name)?.of(one.profile.bands[0] as SpeedBand, one)).toBe(value);
  });

  it('knows no other names, and no deviation of a cylinder without a probe or with fewer than two others', () => {
    expect(findQuantity('boost')).toBeUndefined();
    const one = pull('before', 1, [band(4000, 100, [600, 620, null, null])]);
    expect(findQuantity('deviation:1')?.of(one.profile.bands[0] as SpeedBand, one)).toBeNull();
    expect(findQuantity('deviation:9')?.of(one.profile.bands[0] as SpeedBand, one)).toBeNull();
  });
});

describe('sets side by side', () => {
  it('compares only like speed and like load', () => {
    const at = (set: SetPull['set'], order: number, spread: number, load: number, speed = 4000) =>
      pull(set, order, [band(speed, load, [600, 600, 600, 600 + spread])]);
    const comparison = compareSets(
      [at('before', 1, 40, 100), at('before', 2, 42, 104), at('after', 3, 20, 98), at('after', 4, 22, 150)],
      'spread',
    );
    expect(comparison?.cells.map(({ speed, load }) => [speed, load])).toEqual([[4000, 100]]);
    expect(comparison?.cells[0]?.difference).toBeCloseTo(-21);
    // The hold at 150 kPa has no partner and tells nothing.
    expect(comparison?.all?.difference).toBeCloseTo(-21);
  });

  it('puts several load points together, each beside its own: as many degrees of freedom go as there are points', () => {
    const at = (set: SetPull['set'], order: number, speed: number, spread: number) =>
      pull(set, order, [band(speed, 100, [600, 600, 600, 600 + spread])]);
    const comparison = compareSets(
      [
        ...[at('before', 1, 3000, 20), at('before', 2, 3000, 22), at('before', 3, 5000, 60), at('before', 4, 5000, 62)],
        ...[at('after', 5, 3000, 40), at('after', 6, 3000, 42), at('after', 7, 5000, 80), at('after', 8, 5000, 82)],
      ],
      'spread',
    );
    expect(comparison?.all?.difference).toBeCloseTo(20);
    expect(comparison?.all).toMatchObject({ freedom: 5, verdict: 'higher' });
    // Repeats of ± 1 K: standard deviation √(8 / 5) K.
    expect(comparison?.all?.repeat).toBeCloseTo(Math.sqrt(8 / 5));
  });

  it('keeps sweeps and holds apart at one speed', () => {
    const bands = [band(4125, 200, [600, 610, 620, 640])];
    const comparison = compareSets([pull('before', 1, bands, 'hold'), pull('after', 2, bands, 'sweep')], 'spread');
    expect(comparison?.cells).toEqual([]);
  });

  it('says the order, and proposes A-B-A where drift and change are one thing', () => {
    const one = (set: SetPull['set'], order: number) => pull(set, order, [band(4000, 100, [600, 610, 620, 640])]);
    const lined = compareSets([one('before', 1), one('before', 2), one('after', 3), one('after', 4)], 'spread');
    expect(lined?.order).toBe('A-A-B-B');
    expect(lined?.advice.some((words) => words.includes('A-B-A'))).toBe(true);
    expect(compareSets([one('before', 1), one('after', 2), one('after', 3), one('before', 4)], 'spread')?.driftTakenOut).toBe(true);
  });

  it('minds start temperatures that differ', () => {
    const one = (set: SetPull['set'], order: number, oil: number) =>
      pull(set, order, [band(4000, 100, [600, 610, 620, 640])], 'hold', { ...noStart, oil });
    const { advice } = compareSets([one('before', 1, 80), one('after', 2, 95)], 'spread') ?? { advice: [] };
    expect(advice).toContain('start temperatures differ: 80 °C before, 95 °C after');
  });
});

/** Holds whose fourth cylinder is off by so much, repeating to half a kelvin. */
const holds = (set: SetPull['set'], first: number, off: number[]) =>
  off.map((kelvin, i) => pull(set, first + i, [band(4000, 100, [600, 601, 599, 600 + kelvin])]));

describe('a trial judged', () => {
  it('waits for pulls on either side', () => {
    expect(judgeTrial(holds('before', 1, [40, 41])).verdict).toBe('no pulls yet');
    expect(judgeTrial([]).verdict).toBe('no pulls yet');
  });

  it('helped when the spread fell, and says by how much', () => {
    const judged = judgeTrial([...holds('before', 1, [40, 41, 40]), ...holds('after', 4, [5, 6, 5]), ...holds('before', 7, [40, 41, 40])]);
    expect(judged.verdict).toBe('helped');
    expect(judged.spread?.all?.difference).toBeCloseTo(-35, 0);
    expect(judged.say).toMatch(/^helped: spread -3\d K/);
  });

  it('made it worse when it rose', () => {
    expect(judgeTrial([...holds('before', 1, [5, 6, 5]), ...holds('after', 4, [40, 41, 40])]).verdict).toBe('made it worse');
  });

  it('had no effect when nothing that matters lies in the interval', () => {
    const judged = judgeTrial([
      ...holds('before', 1, [40, 41, 40]),
      ...holds('after', 4, [41, 40, 41]),
      ...holds('before', 7, [40, 41, 40]),
    ]);
    expect(judged.verdict).toBe('no effect');
  });

  it('changed cylinders when heat went from one to another while the spread stayed', () => {
    const other = (order: number) => pull('after', order, [band(4000, 100, [640, 601, 599, 600])]);
    const judged = judgeTrial([...holds('before', 1, [40, 41, 40]), other(4), other(5), other(6)]);
    expect(judged.verdict).toBe('changed cylinders');
    expect(judged.cylinders.find(({ cylinder }) => cylinder === 4)?.deviation.verdict).toBe('lower');
    expect(judged.cylinders.find(({ cylinder }) => cylinder === 1)?.deviation.verdict).toBe('higher');
  });

  it('tells nothing from one pull of each', () => {
    expect(judgeTrial([...holds('before', 1, [40]), ...holds('after', 2, [5])]).verdict).toBe('not enough pulls to tell');
  });
});
