// Thermocouples against the published tables of ITS-90.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { type ThermocoupleType, thermocoupleMillivolts, thermocoupleTemperature } from '../../server/channels/thermocouple.ts';

/** The NIST ITS-90 Thermocouple Database's table of type K (public domain): millivolts by whole degrees. */
const tableK = JSON.parse(readFileSync(join(import.meta.dirname, '../fixtures/type-k-millivolts.json'), 'utf8')) as Record<string, number>;

describe('type K', () => {
  it('gives every entry of the table, -270 to 1372 degC, to its third decimal', () => {
    const entries = Object.entries(tableK);
    expect(entries).toHaveLength(1643);
    const wrong = entries.filter(([degC, mv]) => Math.abs((thermocoupleMillivolts('K', Number(degC)) as number) - mv) > 0.0005);
    expect(wrong).toEqual([]);
  });

  it('gives the temperature back within the error that NIST states for the inverse', () => {
    let worst = 0;
    for (let t = -200; t <= 1372; t += 0.5) {
      const back = thermocoupleTemperature('K', thermocoupleMillivolts('K', t) as number, 0);
      if (back !== undefined) worst = Math.max(worst, Math.abs(back - t));
    }
    expect(worst).toBeGreaterThan(0.03);
    expect(worst).toBeLessThan(0.06);
  });

  it.each([
    [4.09623, 99.9689],
    [20.644286, 499.9541],
    [33.27538, 800.0168],
    [-3.553631, -99.9916],
  ])('reads %d mV as %d degC, as published inverse values say', (mv, degC) => {
    expect(thermocoupleTemperature('K', mv, 0)).toBeCloseTo(degC, 3);
  });

  it('adds the cold junction as a voltage, not as degrees', () => {
    const hot = thermocoupleMillivolts('K', 800) as number;
    const cold = thermocoupleMillivolts('K', 30) as number;
    expect(thermocoupleTemperature('K', hot - cold, 30)).toBeCloseTo(800.0168, 3);
  });

  it('reads a reversed probe below the box: hot end at 60 degC, box at 25 degC, reads -11 degC', () => {
    const difference = (thermocoupleMillivolts('K', 60) as number) - (thermocoupleMillivolts('K', 25) as number);
    expect(thermocoupleTemperature('K', -difference, 25)).toBeCloseTo(-11, 0);
  });

  it('reads 700 degC for 800 with the extension crossed at both ends, 750 through copper: connector at 80, box at 30 degC', () => {
    const mv = (degC: number) => thermocoupleMillivolts('K', degC) as number;
    // Crossed, the extension's own voltage between connector and box counts the wrong way; copper adds none.
    const crossed = mv(800) - mv(80) - (mv(80) - mv(30));
    const copper = mv(800) - mv(80);
    expect(thermocoupleTemperature('K', crossed, 30)).toBeCloseTo(700, 0);
    expect(thermocoupleTemperature('K', copper, 30)).toBeCloseTo(750, 0);
  });

  it.each([
    [55, 0],
    [-6, 0],
    [1, 1400],
  ])('has no value for %d mV with the cold junction at %d degC', (mv, cold) => {
    expect(thermocoupleTemperature('K', mv, cold)).toBeUndefined();
  });
});

/** Points of NIST's tables, from memory, to the third decimal; their ends also are the limits of the inverse polynomials. */
const points: [ThermocoupleType, number, number][] = [
  ['J', -200, -7.89],
  ['J', 100, 5.269],
  ['J', 500, 27.393],
  ['J', 760, 42.919],
  ['J', 1200, 69.553],
  ['N', -200, -3.99],
  ['N', 100, 2.774],
  ['N', 600, 20.613],
  ['N', 1000, 36.256],
  ['N', 1300, 47.513],
  ['T', -200, -5.603],
  ['T', 100, 4.279],
  ['T', 200, 9.288],
  ['T', 400, 20.872],
];

describe('types J, N and T', () => {
  it.each(points)('type %s at %d degC gives %d mV', (type, degC, mv) => {
    expect(thermocoupleMillivolts(type, degC)).toBeCloseTo(mv, 3);
  });

  it.each(['J', 'N', 'T'] as const)('type %s comes back within 0.06 K over its range', (type) => {
    const [low, high] = { J: [-200, 1200], N: [-200, 1300], T: [-200, 400] }[type] as [number, number];
    let worst = 0;
    let seen = 0;
    for (let t = low; t <= high; t++) {
      const back = thermocoupleTemperature(type, thermocoupleMillivolts(type, t) as number, 0);
      if (back === undefined) continue;
      seen++;
      worst = Math.max(worst, Math.abs(back - t));
    }
    expect(seen).toBeGreaterThan(high - low - 3);
    expect(worst).toBeLessThan(0.06);
  });

  it.each(['J', 'K', 'N', 'T'] as const)('type %s has no step where its polynomials meet', (type) => {
    for (const t of [0, 760]) {
      const below = thermocoupleMillivolts(type, t - 1e-6);
      const above = thermocoupleMillivolts(type, t + 1e-6);
      if (below !== undefined && above !== undefined) expect(above - below).toBeCloseTo(0, 5);
    }
  });
});
