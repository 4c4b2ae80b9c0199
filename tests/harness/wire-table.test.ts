// Wire sizes and resistances against ASTM B258's table, and the drop against worked numbers.
import { describe, expect, it } from 'vitest';
import { carriesA, copperOhm, dropThereAndBackV, gaugeAreaMm2, gaugeDiameterMm } from '../../server/harness/wire-table.ts';

/** AWG, mm, mm², mΩ/m, Ω/1000 ft at 20 °C: ASTM B258; the last column from a published table of a cable tester's maker. */
const table = [
  [10, 2.5882, 5.2612, 3.277, undefined],
  [12, 2.0525, 3.3088, 5.211, 1.588],
  [14, 1.6277, 2.0809, 8.285, 2.525],
  [16, 1.2908, 1.3087, 13.174, 4.016],
  [18, 1.0237, 0.823, 20.948, 6.385],
  [20, 0.8118, 0.5176, 33.308, 10.15],
  [22, 0.6438, 0.3255, 52.962, 16.14],
  [24, 0.5106, 0.2047, 84.213, 25.67],
  [26, 0.4049, 0.1288, 133.904, 40.81],
] as const;

describe('copper wire', () => {
  it.each(table)('of AWG %i has the size and resistance of the table', (gauge, mm, mm2, milliohm, ohmPer1000Ft) => {
    expect(gaugeDiameterMm(gauge)).toBeCloseTo(mm, 4);
    expect(gaugeAreaMm2(gauge)).toBeCloseTo(mm2, 3);
    expect(copperOhm(gaugeAreaMm2(gauge), 1) * 1000).toBeCloseTo(milliohm, 1);
    if (ohmPer1000Ft !== undefined) expect(copperOhm(gaugeAreaMm2(gauge), 304.8)).toBeCloseTo(ohmPer1000Ft, 2);
  });

  it('of AWG 20 loses 0.999 V over 3 m there and back at 5 A', () => {
    expect(dropThereAndBackV(copperOhm(gaugeAreaMm2(20), 3), 5)).toBeCloseTo(0.99924, 3);
  });

  it('gains 0.393 % a kelvin', () => {
    expect(copperOhm(1, 1, 120) / copperOhm(1, 1, 20)).toBeCloseTo(1.393, 6);
  });

  it('carries more the thicker it is, at and between the sizes of the table', () => {
    expect(carriesA(gaugeAreaMm2(20))).toBeCloseTo(11, 6);
    expect(carriesA(gaugeAreaMm2(10))).toBeCloseTo(55, 6);
    let before = 0;
    for (let area = 0.05; area < 20; area *= 1.07) {
      expect(carriesA(area)).toBeGreaterThan(before);
      before = carriesA(area);
    }
  });
});
