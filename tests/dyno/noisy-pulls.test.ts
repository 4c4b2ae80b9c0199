// Pulls and holds in signals as sensors give them, with noise, ramps at their ends and a limiter; truth is what the drawn drive says.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { findPulls } from '../../server/dyno/pulls.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

const vehicle = {
  engine: { roles: { speed: 'rpm', throttle: 'pedal' }, runningAboveRpm: 400, exhaustTemps: [] },
  buses: [{ frames: [{ signals: [{ name: 'pedal', unit: '%' }] }] }],
  derived: [],
  injectorSets: [],
  limits: {},
} as unknown as Vehicle;

/** Sum of twelve uniform numbers (mulberry32, public domain): standard deviation 1. */
function noiseOf(seed: number): () => number {
  let state = seed;
  const uniform = () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  return () => Array.from({ length: 12 }, uniform).reduce((sum, value) => sum + value, -6);
}

type Drive = (s: number) => [rpm: number, throttle: number];

function find(seconds: number, drive: Drive, { hz = 50, rpmNoise = 0, throttleNoise = 0 } = {}) {
  const [ofSpeed, ofThrottle] = [noiseOf(1), noiseOf(2)];
  const series = [
    drawn('rpm', 'rpm', seconds, (s) => drive(s)[0] + rpmNoise * ofSpeed(), hz),
    drawn('pedal', '%', seconds, (s) => Math.min(100, Math.max(0, drive(s)[1] + throttleNoise * ofThrottle())), hz),
  ];
  return findPulls(seriesOf(series, seconds), vehicle).pulls;
}

/** From `at` on, `from` to `to` within `s` seconds. */
const ramp = (now: number, at: number, s: number, from: number, to: number) =>
  from + (to - from) * Math.min(1, Math.max(0, (now - at) / s));

describe('a hold', () => {
  /** 2400 rpm from 5 s to 13 s; a ramp of 1,000 rpm/s leads in and out. */
  const hold =
    (throttle: number): Drive =>
    (s) =>
      s < 4 || s >= 14 ? [1400, 2] : [s < 8 ? ramp(s, 4, 1, 1400, 2400) : ramp(s, 13, 1, 2400, 1400), throttle];

  it.each([
    { throttle: 50, hz: 50 },
    { throttle: 50, hz: 5 },
    { throttle: 98, hz: 20 },
  ])('is found through 20 rpm and 0.8 % of noise ($throttle % throttle, $hz Hz)', ({ throttle, hz }) => {
    const found = find(18, hold(throttle), { hz, rpmNoise: 20, throttleNoise: 0.8 });
    expect(found.map(({ kind, complete }) => [kind, complete])).toEqual([['hold', true]]);
    expect(Math.abs((found[0]?.from ?? 0) - 5)).toBeLessThan(0.6);
    expect(Math.abs((found[0]?.to ?? 0) - 13)).toBeLessThan(0.6);
  });

  it('has neither the ramp into it nor the ramp out of it', () => {
    const [found] = find(18, hold(50));
    expect(Math.abs((found?.from ?? 0) - 5)).toBeLessThan(0.15);
    expect(Math.abs((found?.to ?? 0) - 13)).toBeLessThan(0.15);
    expect(found?.speedFrom).toBeGreaterThan(2400 - 40);
    expect(found?.speedTo).toBeLessThanOrEqual(2400);
  });

  it('is not what the limiter does, at full throttle or part of it, slow or quick', () => {
    const limited =
      (hz: number, rpm: number, throttle: number): Drive =>
      (s) =>
        s < 3 || s >= 12 ? [1400, 2] : [6000 + rpm * Math.sin(2 * Math.PI * hz * s), throttle];
    expect(find(15, limited(2, 90, 100))).toEqual([]);
    expect(find(15, limited(7, 60, 100))).toEqual([]);
    expect(find(15, limited(2, 90, 70))).toEqual([]);
  });
});

describe('a sweep', () => {
  it('ends where it first got to the limiter, however long it hangs there and however the limiter strays', () => {
    const found = find(30, (s) => {
      if (s < 5) return [2500, 5];
      if (s < 12) return [2500 + 500 * (s - 5), 100];
      return s < 20 ? [6000 - 50 + (s - 12) * 8 + 50 * Math.sin(2 * Math.PI * 4 * s), 100] : [1400, 2];
    });
    expect(found.map(({ kind }) => kind)).toEqual(['sweep']);
    expect(Math.abs((found[0]?.to ?? 0) - 12)).toBeLessThan(0.4);
  });

  it('that is given up after 800 rpm is one that is not complete; a step of 800 rpm from hold to hold is none', () => {
    const whole: Drive = (s) => (s < 3 ? [1400, 2] : s < 13 ? [3000 + 300 * (s - 3), 100] : [1400, 2]);
    const early: Drive = (s) => (s < 16 ? whole(s) : s < 20 ? [3000 + 200 * (s - 16), 100] : [1400, 2]);
    expect(find(25, early).map(({ kind, complete }) => [kind, complete])).toEqual([
      ['sweep', true],
      ['sweep', false],
    ]);
    const steps: Drive = (s) => (s < 3 || s >= 21 ? [1400, 2] : [ramp(s, 10, 2.5, 3000, 3800), 100]);
    expect(find(25, steps).map(({ kind }) => kind)).toEqual(['hold', 'hold']);
  });

  it('on a very fast dyno is found too when it is given up after less than a second, if whole ones rose alike; a stab is none', () => {
    // 1,800 rpm/s: whole from 2,500 to 6,100 rpm in 2 s, given up at 4,000 rpm after 0.83 s; a stab from idle as quick as that.
    const drive: Drive = (s) => {
      if (s >= 3 && s < 5) return [2500 + 1800 * (s - 3), 100];
      if (s >= 12 && s < 12.83) return [2500 + 1800 * (s - 12), 100];
      if (s >= 20 && s < 20.8) return [1100 + 1800 * (s - 20), 100];
      const cruises = (s >= 1 && s < 3) || (s >= 10 && s < 12);
      return cruises ? [2500, 12] : [1100, 0];
    };
    const found = find(24, drive);
    expect(found.map(({ kind, complete }) => [kind, complete])).toEqual([
      ['sweep', true],
      ['sweep', false],
    ]);
    expect(Math.abs((found[1]?.from ?? 0) - 12)).toBeLessThan(0.3);
    expect(Math.abs((found[1]?.to ?? 0) - 12.83)).toBeLessThan(0.3);
  });

  it.each([0, 25])('is none in a stepped test at full throttle, nor on the way into it, through %i rpm of noise', (rpmNoise) => {
    const steps: Drive = (s) => {
      if (s < 3 || s >= 27) return [1100, 0];
      const way = ramp(s, 3, 2, 1100, 3000) - 3000;
      return [way + ramp(s, 12, 1.2, 3000, 3800) + ramp(s, 20, 1.2, 3800, 4600) - 3800, 100];
    };
    const found = find(32, steps, { hz: 20, rpmNoise });
    expect(found.map(({ kind, complete }) => [kind, complete])).toEqual([
      ['hold', true],
      ['hold', true],
      ['hold', true],
    ]);
  });
});
