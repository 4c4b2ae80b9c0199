// Pressure by altitude against the published tables of the standard atmosphere.
import { describe, expect, it } from 'vitest';
import { toStandardPressureKpa } from '../../server/definitions/standard-atmosphere.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

describe('standard atmosphere', () => {
  // U.S. Standard Atmosphere 1976 by geopotential altitude, hPa (from memory).
  it.each([
    [0, 1013.25],
    [1000, 898.75],
    [2000, 794.95],
    [3000, 701.09],
    [5000, 540.2],
  ])('at %i m is %f hPa', (altitudeM, hPa) => {
    expect(10 * toStandardPressureKpa(altitudeM)).toBeCloseTo(hPa, 1);
  });

  it('stands in for a barometer that nobody has, in vehicle.yaml', () => {
    const barometer = makeVehicle({ barometer: '{ altitude: 1000 m }' }).engine?.barometer;
    expect(barometer).toMatchObject({ altitudeM: 1000 });
    expect((barometer as { valueKpa: number }).valueKpa).toBeCloseTo(89.87, 2);
  });
});
