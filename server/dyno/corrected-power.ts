// Torque, power and their correction to standard air by SAE J1349. Pure.

/** Power, kW, of a torque in Nm at an engine speed in rpm. Worked: 200 Nm at 6000 rpm is 125.664 kW. */
export function powerKw(torqueNm: number, speedRpm: number): number {
  return (torqueNm * speedRpm * 2 * Math.PI) / 60_000;
}

/**
 * Pressure of water vapour, kPa, at an air temperature and a relative humidity.
 * Worked: 20 °C and 50 % are 1.169 kPa. Source: Buck, J. Appl. Meteorol. 20 (1981) 1527, equation of saturation over water.
 */
export function vapourPressureKpa(airC: number, humidityPercent: number): number {
  return (humidityPercent / 100) * 0.61121 * Math.exp(((18.678 - airC / 234.5) * airC) / (257.14 + airC));
}

export interface Correction {
  factor: number;
  /** What to mind before the corrected figure is believed. */
  notes: string[];
}

const factorLow = 0.93;
const factorHigh = 1.07;

/**
 * Correction factor for torque and power of a spark-ignition engine without boost control, SAE J1349 (June 1990):
 * 1.180 × (99 kPa / dry station pressure) × √((air °C + 273) / 298) − 0.18. Uncorrected figures stand beside corrected ones always.
 *
 * @param stationKpa Station pressure: as a barometer on the spot reads it, never reduced to sea level. @param vapourKpa Pressure of its water vapour.
 * @param holdsAbsolute The engine is held to an absolute manifold pressure (boost control): weather hardly reaches it.
 * Worked: 99 kPa dry, 25 °C is 1.00000; 97 kPa, 30 °C 1.03439; 85 kPa, 25 °C 1.19435. Source: the published formula; values by hand.
 */
export function correctionSaeJ1349(stationKpa: number, vapourKpa: number, airC: number, holdsAbsolute = false): Correction {
  const factor = 1.18 * (99 / (stationKpa - vapourKpa)) * Math.sqrt((airC + 273) / 298) - 0.18;
  const notes: string[] = [];
  if (factor < factorLow || factor > factorHigh)
    notes.push(`a factor of ${factor.toFixed(3)} lies outside of ${factorLow} to ${factorHigh}: compare only with pulls in like air`);
  if (holdsAbsolute) notes.push('held to an absolute manifold pressure: the correction does not apply plainly');
  return { factor, notes };
}
