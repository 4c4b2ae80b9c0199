// The lag-corrected peaks of a pull: what the gas may have reached while its probe lagged behind, with the noise that comes with it. Pure.

import { gasTemperature, lagNoiseGain } from '../channels/engine-formulas.ts';
import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, slopeWithin, type Watched, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from './pulls.ts';

/** An estimate; never held against a limit, which is meant for the indicated temperature. */
export interface GasPeak {
  cylinder: number;
  /** Highest T + lag × dT/dt within the pull, °C, with the shortest and the longest lag of the probe's band. */
  lowC: number;
  highC: number;
  /** Standard deviation of the estimate from the reading's own scatter and the slope's, with the longest lag, K. */
  noiseK: number;
}

/** Width of the slope's fit: at 1 s of lag and 20 samples a second it multiplies noise by 1.9. */
const slopeOverUs = 500_000;

/** Peaks of the cylinders whose probe has a `lag` in the vehicle file; the others are left out, since nothing says how they lag. */
export function estimateGasPeaks(series: SeriesSet, vehicle: Vehicle, pull: Pull): GasPeak[] {
  const fromUs = series.startUs + pull.from * 1e6;
  const toUs = series.startUs + pull.to * 1e6;
  return (vehicle.engine?.exhaustTemps ?? []).flatMap(({ cylinder, channel, lagS }) => {
    const temp = watch(series, channel, 'degC', 'bad');
    const peak = temp && lagS && peakOf(temp, lagS, fromUs, toUs);
    return peak ? [{ cylinder, ...peak }] : [];
  });
}

function peakOf(temp: Watched, lagS: { low: number; high: number }, fromUs: number, toUs: number): Omit<GasPeak, 'cylinder'> | undefined {
  let lowC = Number.NEGATIVE_INFINITY;
  let highC = Number.NEGATIVE_INFINITY;
  const from = firstAtOrAfter(temp.timeUs, fromUs);
  const to = firstAtOrAfter(temp.timeUs, toUs + 1);
  for (let i = from; i < to; i++) {
    const atUs = temp.timeUs[i] as number;
    const slope = slopeWithin(temp, atUs - slopeOverUs / 2, atUs + slopeOverUs / 2);
    if (slope === undefined) continue;
    lowC = Math.max(lowC, gasTemperature(temp.value[i] as number, lagS.low, slope));
    highC = Math.max(highC, gasTemperature(temp.value[i] as number, lagS.high, slope));
  }
  if (lowC === Number.NEGATIVE_INFINITY) return undefined;
  const samplesPerS = ((to - from - 1) * 1e6) / Math.max(1, (temp.timeUs[to - 1] as number) - (temp.timeUs[from] as number));
  const gain = lagNoiseGain(lagS.high, slopeOverUs / 1e6, samplesPerS);
  return { lowC: Math.min(lowC, highC), highC: Math.max(lowC, highC), noiseK: readingNoise(temp, from, to) * Math.hypot(1, gain) };
}

/** Standard deviation of single readings about a smooth course: from second differences, in which the course itself cancels. */
function readingNoise(temp: Watched, from: number, to: number): number {
  let square = 0;
  let count = 0;
  for (let i = from + 1; i + 1 < to; i++) {
    square += ((temp.value[i - 1] as number) - 2 * (temp.value[i] as number) + (temp.value[i + 1] as number)) ** 2;
    count++;
  }
  // The variance of a second difference of independent readings is 1 + 4 + 1 times theirs.
  return count > 0 ? Math.sqrt(square / count / 6) : 0;
}
