// What readings of the bus line mean: ISO 11898-2's 60 ohm, whole numbers of terminators, and what lies between.
import { describe, expect, it } from 'vitest';
import { judgeLineResistance, judgeLineVoltages } from '../../server/checks/line-resistance.ts';
import type { Bus } from '../../server/definitions/vehicle.ts';

describe('a resistance between the lines', () => {
  it.each([
    [60, true, /two terminators/],
    [59.3, true, /two terminators/],
    [64.9, true, /two terminators/],
    [120, false, /only one terminator/],
    [40, false, /one terminator too many/],
    [30, false, /4 terminators/],
    [24, false, /5 terminators/],
    [0, false, /shorted/],
    [2, false, /shorted/],
    [Number.POSITIVE_INFINITY, false, /open/],
    [15_000, false, /open/],
    [70, false, /10 ohm too much/],
    [90, false, /bad joint/],
    [48, false, /between two and three/],
    [10, false, /partial short/],
    [400, false, /one terminator with a bad joint/],
    [-5, false, /power on the line/],
    [Number.NaN, false, /power on the line/],
  ])('of %s ohm', (ohm, ok, says) => {
    const verdict = judgeLineResistance(ohm);
    expect(verdict.ok).toBe(ok);
    expect(verdict.say).toMatch(says);
    if (!ok) expect(verdict.next).toMatch(/\w/);
  });

  it('names the terminators that the trunk knows, when there is one too many', () => {
    const trunk: Bus['trunk'] = [
      { kind: 'terminator', name: 'terminator', terminated: true },
      { kind: 'device', name: 'node', terminated: true },
      { kind: 'device', name: 'box', terminated: false },
    ];
    expect(judgeLineResistance(40, { name: 'engine', trunk } as Bus).next).toContain('names 2: the one at the end, inside node');
  });
});

describe('voltages of the lines', () => {
  it.each([
    [2.5, 2.5, true, /idle/],
    [2.8, 2.2, true, /works/],
    [2.2, 2.8, false, /swapped/],
    [12.4, 2.4, false, /high line touches the supply/],
    [2.5, 12.4, false, /low line touches the supply/],
    [0, 0, false, /at ground/],
    [0.1, 2.2, false, /high line is shorted to ground/],
    [4.2, 3.9, false, /out of its range/],
  ])('of %s and %s', (high, low, ok, says) => {
    const verdict = judgeLineVoltages({ high, low });
    expect(verdict.ok).toBe(ok);
    expect(verdict.say).toMatch(says);
  });
});
