// SAE J1349 against values worked by hand from its published formula, and what must be said beside a corrected figure.
import { describe, expect, it } from 'vitest';
import { correctionSaeJ1349, powerKw, vapourPressureKpa } from '../../server/dyno/corrected-power.ts';

describe('power correction by SAE J1349', () => {
  it.each([
    [990, 25, 1.0],
    [990, 35, 1.01964],
    [970, 30, 1.03439],
    [950, 35, 1.07015],
    [1000, 20, 0.97836],
    [850, 25, 1.19435],
  ])('of %i hPa dry and %i °C is %f', (hpa, airC, factor) => {
    expect(correctionSaeJ1349(hpa / 10, 0, airC).factor).toBeCloseTo(factor, 5);
  });

  it('takes the vapour off the station pressure', () => {
    expect(correctionSaeJ1349(101, 2, 25).factor).toBeCloseTo(1, 9);
    // Saturation at 20 °C is 2.3383 kPa (Buck 1981); half of it at 50 %.
    expect(vapourPressureKpa(20, 50)).toBeCloseTo(1.169, 3);
    expect(vapourPressureKpa(0, 100)).toBeCloseTo(0.6112, 4);
  });

  it('warns outside of 0.93 to 1.07 and on engines held to an absolute pressure', () => {
    expect(correctionSaeJ1349(99, 0, 25).notes).toEqual([]);
    expect(correctionSaeJ1349(85, 0, 25).notes.join()).toMatch(/outside of 0.93 to 1.07/);
    expect(correctionSaeJ1349(99, 0, 25, true).notes.join()).toMatch(/does not apply plainly/);
  });

  it('makes 125.664 kW of 200 Nm at 6000 rpm', () => {
    expect(powerKw(200, 6000)).toBeCloseTo(125.664, 3);
    expect(powerKw(200, 0)).toBe(0);
  });
});
