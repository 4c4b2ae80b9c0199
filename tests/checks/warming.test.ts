// Warmings found in readings made from first-order physics alone, without the simulator.
import { describe, expect, it } from 'vitest';
import { type LimitsOf, usualLimits } from '../../server/checks/usual-limits.ts';
import { findSwings, toWarmings } from '../../server/checks/warming.ts';
import type { Watched } from '../../server/checks/watch.ts';

const limits = Object.fromEntries(Object.entries(usualLimits.probes).map(([name, { usual }]) => [name, usual])) as LimitsOf<'probes'>;
const stepS = 0.1;

/** Each probe warmed for 17 s behind 7 s of rest, with a lag of 8 s in still air, and fading with 45 s: slower than the next comes. */
function warmedInTurn(count: number, coolingKPerS: number): { temps: Watched[]; endUs: number } {
  const everyS = 24;
  const length = Math.round((10 + count * everyS) / stepS);
  const temps = Array.from({ length: count }, (_, probe): Watched => {
    const timeUs = Float64Array.from({ length }, (_, i) => i * stepS * 1e6);
    let heat = 0;
    const value = timeUs.map((us) => {
      const at = us / 1e6 - 5 - probe * everyS;
      const goal = at >= 0 && at < 17 ? 150 : 0;
      heat += ((goal - heat) * stepS) / (goal > heat ? 8 : 45);
      return 20 + heat - (coolingKPerS * us) / 1e6;
    });
    return { channel: `t${probe}`, timeUs, value, badUs: new Float64Array(0) };
  });
  return { temps, endUs: length * stepS * 1e6 };
}

describe('warmings', () => {
  it.each([
    [3, 0],
    [5, 0],
    [9, 0],
    [16, 0],
    [9, 0.05],
  ])('of %i probes that fade slower than the next is warmed are one rise each, in turn (cooling by %d K/s)', (count, cooling) => {
    const { temps, endUs } = warmedInTurn(count, cooling);
    const leads = toWarmings(findSwings(temps, 0, endUs, limits), limits).map(({ lead }) => [lead.probe, lead.kelvin > 100]);
    expect(leads).toEqual(Array.from({ length: count }, (_, probe) => [probe, true]));
  });
});
