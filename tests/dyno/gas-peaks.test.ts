// Lag-corrected peaks on closed forms: a first-order probe on a ramp of gas temperature, and the noise that the correction brings.
import { describe, expect, it } from 'vitest';
import { estimateGasPeaks } from '../../server/dyno/gas-peaks.ts';
import type { Pull } from '../../server/dyno/pulls.ts';
import { makeSeries } from '../doubles/made-series.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { randomFrom } from '../doubles/scripted-bus.ts';

/** Every probe of the made vehicle has a lag of 0.8 s, and 20 samples a second here. */
const vehicle = makeVehicle({ cylinders: 2 });
const sweep: Pull = { kind: 'sweep', from: 5, to: 10, speedFrom: 3000, speedTo: 6000, complete: true };

describe('the lag-corrected peak', () => {
  it('is the gas itself on a ramp: 600 °C and 40 K/s, read 32 K late at 0.8 s of lag', () => {
    const gas = (s: number) => 600 + 40 * (s - 5);
    const series = makeSeries(12, { egt_1: { unit: 'degC', at: (s) => gas(s) - 0.8 * 40 } });
    const [peak] = estimateGasPeaks(series, vehicle, sweep);
    expect(peak?.cylinder).toBe(1);
    expect(peak?.highC).toBeCloseTo(gas(10), 6);
    expect(peak?.lowC).toBeCloseTo(gas(10), 6);
    expect(peak?.noiseK).toBeLessThan(1e-6);
  });

  it('has the noise of the reading times √(1 + gain²): gain 1.9 × 0.8 over half a second', () => {
    const random = randomFrom(3);
    const normal = () => Array.from({ length: 12 }, random).reduce((sum, value) => sum + value, -6);
    const series = makeSeries(200, { egt_1: { unit: 'degC', at: () => 650 + 2 * normal() } });
    const [peak] = estimateGasPeaks(series, vehicle, { ...sweep, from: 0, to: 200 });
    expect(peak?.noiseK).toBeGreaterThan(2 * Math.hypot(1, 0.8 * 1.9) * 0.93);
    expect(peak?.noiseK).toBeLessThan(2 * Math.hypot(1, 0.8 * 1.9) * 1.07);
  });

  it('is not made for a probe without numbers, or without a lag in the file', () => {
    const series = makeSeries(12, { egt_1: { unit: 'degC', at: () => undefined }, egt_2: { unit: 'degC', at: () => 650 } });
    expect(estimateGasPeaks(series, vehicle, sweep).map(({ cylinder }) => cylinder)).toEqual([2]);
    const engine = vehicle.engine as NonNullable<typeof vehicle.engine>;
    const { lagS, ...probe } = engine.exhaustTemps[1] as (typeof engine.exhaustTemps)[number];
    expect(lagS).toEqual({ low: 0.8, high: 0.8 });
    expect(estimateGasPeaks(series, { ...vehicle, engine: { ...engine, exhaustTemps: [probe] } }, sweep)).toEqual([]);
  });
});
