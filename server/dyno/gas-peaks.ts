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
  /** What it was computed from. */
  from: { channel: string; low: GasMoment; high: GasMoment; readingNoiseK: number; slopeGain: number };
}

/** The moment of an estimate: reading, its slope, and the lag that was taken. */
export interface GasMoment {
  atUs: number;
  readingC: number;
  slopeKPerS: number;
  lagS: number;
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
  const from = firstAtOrAfter(temp.timeUs, fromUs);
  const to = firstAtOrAfter(temp.timeUs, toUs + 1);
  const highest = (lag: number): { gasC: number; moment: GasMoment } | undefined => {
    let best: { gasC: number; moment: GasMoment } | undefined;
    for (let i = from; i < to; i++) {
      const [atUs, readingC] = [temp.timeUs[i] as number, temp.value[i] as number];
      const slopeKPerS = slopeWithin(temp, atUs - slopeOverUs / 2, atUs + slopeOverUs / 2);
      if (slopeKPerS === undefined) continue;
      const gasC = gasTemperature(readingC, lag, slopeKPerS);
      if (!best || gasC > best.gasC) best = { gasC, moment: { atUs, readingC, slopeKPerS, lagS: lag } };
    }
    return best;
  };
  const [short, long] = [highest(lagS.low), highest(lagS.high)];
  if (!short || !long) return undefined;
  const [low, high] = short.gasC <= long.gasC ? [short, long] : [long, short];
  const samplesPerS = ((to - from - 1) * 1e6) / Math.max(1, (temp.timeUs[to - 1] as number) - (temp.timeUs[from] as number));
  const slopeGain = lagNoiseGain(lagS.high, slopeOverUs / 1e6, samplesPerS);
  const readingNoiseK = readingNoise(temp, from, to);
  return {
    lowC: low.gasC,
    highC: high.gasC,
    noiseK: readingNoiseK * Math.hypot(1, slopeGain),
    from: { channel: temp.channel, low: low.moment, high: high.moment, readingNoiseK, slopeGain },
  };
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
