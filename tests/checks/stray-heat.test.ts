// The probe check on readings made from first-order physics: stray heat on the neighbours must not swap, reverse or kill a probe.
import { describe, expect, it } from 'vitest';
import { checkProbes } from '../../server/checks/probe-check.ts';
import { badOf } from '../doubles/judged-run.ts';
import { type MadeChannel, makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

interface Bench {
  count: number;
  /** Of the heat on a probe that reaches the next one; half of it the one behind that. */
  stray: number;
  /** Of the cylinder: reads the other way, not at all, or has its extension wires crossed. */
  reversed?: number;
  dead?: number;
  crossed?: number;
  /** How much warmer than the garage the engine is at the beginning, K; it cools with 600 s. */
  warmer?: number;
  fadeS?: number;
}

const [heatS, restS, gunK, lagS, stepS] = [14, 6, 150, 8, 0.1];

/** Each probe is warmed for 14 s, 6 s apart, in turn; 15 s behind the last each connector by 45 K, for 10 s. Readings a tenth of a degree fine. */
function warmInTurn({ count, stray, reversed, dead, crossed, warmer = 0, fadeS = 45 }: Bench) {
  const everyS = heatS + restS;
  const tipsS = 5 + count * everyS;
  const seconds = tipsS + 15 + count * 16;
  const read = (cylinder: number): number[] => {
    let heat = 0;
    let connector = 0;
    return Array.from({ length: Math.ceil(seconds / stepS) + 1 }, (_, i) => {
      const s = i * stepS;
      const tip = Math.floor((s - 5) / everyS) + 1;
      const isHot = s >= 5 && s < tipsS && (s - 5) % everyS < heatS;
      const apart = Math.abs(tip - cylinder);
      const goal = !isHot ? 0 : apart === 0 ? gunK : (gunK * stray) / apart;
      heat += ((goal - heat) * stepS) / (goal > heat ? lagS : fadeS);
      const plug = s - tipsS - 15 - (cylinder - 1) * 16;
      const plugGoal = plug >= 0 && plug < 10 ? 45 : 0;
      connector += ((plugGoal - connector) * stepS) / (plugGoal > connector ? 6 : 40);
      const engine = 20 + warmer * Math.exp(-s / 600) * (1 + (((cylinder * 7) % 5) - 2) / 20);
      const reads = cylinder === dead ? 0 : cylinder === reversed ? -heat : heat;
      return Math.round(10 * (engine + reads - (cylinder === crossed ? 2 * connector : 0))) / 10;
    });
  };
  const channels = Array.from({ length: count }, (_, i): [string, MadeChannel] => {
    const values = read(i + 1);
    return [`egt_${i + 1}`, { unit: 'degC', hz: 1 / stepS, at: (s) => values[Math.round(s / stepS)] as number }];
  });
  return checkProbes(makeSeries(seconds, Object.fromEntries(channels)), makeVehicle({ cylinders: count }));
}

describe('stray heat', () => {
  it.each([2, 3, 5, 8, 16])('of an eighth and of a quarter swaps none of %i probes', (count) => {
    for (const stray of [0.12, 0.25]) {
      const result = warmInTurn({ count, stray });
      expect(badOf(result)).toEqual([]);
      expect(result.verdicts.filter(({ code }) => code === 'probe-swapped')).toHaveLength(count);
    }
  });

  it.each([2, 4, 9])('makes no other probe look dead beside the dead one, of %i', (count) => {
    for (const dead of [1, count]) expect(badOf(warmInTurn({ count, stray: 0.12, dead }))).toEqual([`probe-dead ${dead}`]);
  });

  it.each([2, 4, 9])('neither hides the reversed one of %i nor makes another look so', (count) => {
    for (const reversed of [1, 2, count])
      expect(badOf(warmInTurn({ count, stray: 0.12, reversed }))).toEqual([`probe-reversed ${reversed}`]);
  });

  it.each([2, 6])('and heat that fades below where it was, on an engine that cools, are no crossed extension, of %i', (count) => {
    for (const warmer of [0, 60]) {
      expect(badOf(warmInTurn({ count, stray: 0.1, warmer, fadeS: 25 }))).toEqual([]);
      expect(badOf(warmInTurn({ count, stray: 0.1, warmer, fadeS: 25, crossed: 2 }))).toEqual(['extension-crossed 2']);
    }
  });
});
