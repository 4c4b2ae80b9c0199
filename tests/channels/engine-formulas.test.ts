// The engine's arithmetic: the worked numbers of docs/formulas.md and of published pages.
import { describe, expect, it } from 'vitest';
import {
  barometerShare,
  dutyPercent,
  gasTemperature,
  injectionPeriodMs,
  injectorFlow,
  lagNoiseGain,
  staticFlow,
  timeToLimit,
} from '../../server/channels/engine-formulas.ts';

describe('duty cycle', () => {
  it.each([
    [10, 6000, 1, 2, 50],
    [15, 3000, 1, 2, 37.5],
    [15, 6000, 1, 2, 75],
    [15, 6000, 2, 2, 150],
    [15, 3000, 2, 2, 75],
    [10, 6000, 1, 1, 100],
    [10, 0, 1, 2, 0],
  ])('%d ms at %d rpm, %d a cycle of %d revolutions, is %d %%', (pulse, rpm, times, revolutions, duty) => {
    expect(dutyPercent(pulse, rpm, times, revolutions)).toBe(duty);
  });
});

describe('flow', () => {
  it.each([
    [440, 300, 400, 508.0682],
    [440, 300, 250, 401.6632],
    [60, 43.5, 58, 69.282],
    [440, 300, 0, 0],
    [440, 300, -20, 0],
  ])('%d rated at %d gives %d as %d', (rated, at, delta, flow) => {
    expect(staticFlow(rated, at, delta)).toBeCloseTo(flow, 4);
  });

  it.each([
    [6, 1, 250],
    [1, 1, 0],
    [0.5, 1, 0],
    [21, 1, 1000],
    [25, 1, 1000],
  ])('a pulse of %d ms with %d ms dead in 20 ms gives %d of 1000', (pulse, dead, flow) => {
    expect(injectorFlow(1000, pulse, dead, 20)).toBe(flow);
  });

  it('has the period of the cycle shared by its injections', () => {
    expect([injectionPeriodMs(6000, 1, 2), injectionPeriodMs(6000, 2, 2), injectionPeriodMs(6000, 1, 1)]).toEqual([20, 10, 10]);
  });
});

describe('fuel pressure delta', () => {
  it.each([
    ['gauge', 'absolute', 1],
    ['absolute', 'gauge', -1],
    ['gauge', 'gauge', 0],
    ['absolute', 'absolute', 0],
    [undefined, 'absolute', undefined],
    ['gauge', undefined, undefined],
    ['gauge', 'differential', undefined],
  ] as const)('rail %s, discharge %s: the barometer counts %s times', (rail, discharge, share) => {
    expect(barometerShare(rail, discharge)).toBe(share);
  });
});

describe('lag', () => {
  it('adds lag times slope', () => {
    expect(gasTemperature(700, 0.8, 100)).toBe(780);
  });

  it.each([
    [0.05, 28],
    [0.5, 1.9],
    [1, 0.7],
  ])('over %d s multiplies noise by %d at 1 s of lag', (window, gain) => {
    expect(lagNoiseGain(1, window, 20)).toBeCloseTo(gain, gain > 10 ? 0 : 1);
  });
});

describe('time to limit', () => {
  it.each([
    [740, 780, 20, 2],
    [780, 780, -5, 0],
    [800, 780, 20, 0],
    [740, 780, 0, undefined],
    [740, 780, -3, undefined],
  ])('at %d of %d, rising %d a second: %s s', (value, limit, rate, seconds) => {
    expect(timeToLimit(value, limit, rate)).toBe(seconds);
  });
});
