// Peaks by cylinder and the choice of plots, on recordings made by hand.
import { describe, expect, it } from 'vitest';
import { quality } from '../../server/channels/quality.ts';
import { findCylinderPeaks, findPullPeaks } from '../../server/report/cylinder-peaks.ts';
import { chooseMainPlots } from '../../server/report/main-plots.ts';
import { makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const vehicle = makeVehicle({ cylinders: 3, more: 'limits: { exhaust_temp: 700 degC }' });

describe('peaks by cylinder', () => {
  const series = makeSeries(60, {
    // A triangle with its top at 30 s.
    egt_1: { unit: 'degC', at: (s) => 600 - 10 * Math.abs(s - 30) },
    egt_2: { unit: 'degF', at: (s) => (s === 30 ? 1400 : 1000) },
    egt_3: { unit: 'degC', at: (s) => (s < 20 ? undefined : 500) },
    exhaust_spread: { unit: 'K', at: (s) => (s > 31 ? 300 : 40) },
  });

  it('are the highest sample that was ok, where, and how far below the limit', () => {
    const [one, two, three] = findCylinderPeaks(series, vehicle);
    expect(one).toMatchObject({ cylinder: 1, probe: 'T-1', peak: { value: 600, atS: 30 }, margin: 100, outOfRange: 0, bad: 0 });
    // 700 °C are 1292 °F.
    expect(two?.margin).toBeCloseTo(1292 - 1400, 9);
    expect(three).toMatchObject({ peak: { value: 500, atS: 20 }, bad: 400 });
  });

  it('never take a sample out of range', () => {
    const found = series.get('egt_1');
    found?.quality.fill(quality.outOfRange, 590, 611);
    const [one] = findCylinderPeaks(series, vehicle);
    expect(one).toMatchObject({ outOfRange: 21 });
    expect(one?.peak?.value).toBeLessThan(596);
    found?.quality.fill(quality.ok);
  });

  it('of a pull go on for the lag of the probe, its spread does not', () => {
    const pull = { kind: 'sweep', from: 20, to: 29.2, speedFrom: 2000, speedTo: 6000, complete: true } as const;
    const [found] = findPullPeaks(series, vehicle, [pull]);
    // Each probe's lag is 0.8 s.
    expect(found?.peaks.get(1)).toEqual({ value: 600, atS: 30 });
    expect(found?.spread?.value).toBe(40);
  });

  it('are absent for a channel that never came', () => {
    expect(findCylinderPeaks(makeSeries(5, {}), vehicle).map(({ peak }) => peak)).toEqual([undefined, undefined, undefined]);
  });
});

describe('the plots of a report', () => {
  it('are those of the engine that have samples, a plot for each unit, limits in its unit', () => {
    const known = new Map([
      ['engine_speed', 'rpm'],
      ['egt_1', 'degC'],
      ['egt_2', 'degF'],
      ['duty_port', '%'],
    ]);
    const plots = chooseMainPlots(vehicle, known);
    expect(plots.map(({ title, unit, channels }) => [title, unit, ...channels])).toEqual([
      ['Engine speed', 'rpm', 'engine_speed'],
      ['Exhaust temperature', 'degC', 'egt_1'],
      ['Exhaust temperature', 'degF', 'egt_2'],
      ['Injector duty', '%', 'duty_port'],
    ]);
    expect(plots[1]?.limits).toEqual([{ y: 700, label: 'limit' }]);
    expect(plots[2]?.limits[0]?.y).toBeCloseTo(1292, 9);
  });

  it('are the first analogue channels when nothing of the engine has samples', () => {
    const known = new Map([
      ['box_counter', ''],
      ['box_temp', 'degC'],
      ['box_supply', 'V'],
    ]);
    expect(chooseMainPlots(vehicle, known).map(({ title }) => title)).toEqual(['box_temp', 'box_supply']);
  });
});
