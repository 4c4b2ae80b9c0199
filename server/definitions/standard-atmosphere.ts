// Pressure of the published standard atmosphere by altitude: a fallback where nobody read a barometer.

/** Weather moves the pressure by about this much around the standard one (common practice, no source). */
export const weatherKpa = 3;

/**
 * Lower layer (to 11,000 m) of the standard atmosphere of ISO 2533 and the U.S. Standard Atmosphere 1976: 101.325 kPa, 288.15 K and
 * 6.5 K/km at sea level; 89.87 kPa at 1,000 m. @param altitudeM Over sea level (geopotential, which differs by 0.2 m at 1,000 m).
 */
export function toStandardPressureKpa(altitudeM: number): number {
  return 101.325 * (1 - (0.0065 * altitudeM) / 288.15) ** 5.25588;
}
