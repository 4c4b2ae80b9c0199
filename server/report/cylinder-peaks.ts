// The highest exhaust temperature of each cylinder, over a recording and in each of its pulls. Pure.
import { quality } from '../channels/quality.ts';
import type { Series, SeriesSet } from '../channels/series.ts';
import { findUnit, toUnit } from '../channels/unit.ts';
import type { ExhaustProbe, Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from '../dyno/pulls.ts';

export interface Peak {
  value: number;
  /** Seconds from the first frame. */
  atS: number;
}

export interface CylinderPeak {
  cylinder: number;
  channel: string;
  unit: string;
  probe?: string;
  /** Of samples that were ok; undefined: there were none. */
  peak?: Peak;
  /** Limit less peak, in the channel's unit (K for a temperature in degC). */
  margin?: number;
  /** Samples outside the range that the vehicle file gives, and samples without a number: neither counts as a peak. */
  outOfRange: number;
  bad: number;
}

export interface PullPeaks {
  pull: Pull;
  /** By cylinder; absent: no sample that was ok. */
  peaks: ReadonlyMap<number, Peak>;
  /** The greatest difference between cylinders, K. */
  spread?: Peak;
}

/** A probe shows the end of a pull this much later, where the vehicle file doesn't say its lag. Common practice, no source. */
const lagUsualS = 1;

export function findCylinderPeaks(series: SeriesSet, vehicle: Vehicle): CylinderPeak[] {
  return (vehicle.engine?.exhaustTemps ?? []).map((probe) => {
    const found = series.get(probe.channel);
    const unit = found?.unit ?? '';
    const counted = found ? count(found) : { outOfRange: 0, bad: 0 };
    const peak = found && highest(found, series.startUs, series.startUs, Number.POSITIVE_INFINITY);
    const limitC = vehicle.limits.exhaustTempC;
    const isTemperature = findUnit(unit)?.dimension === 'temperature';
    return {
      cylinder: probe.cylinder,
      channel: probe.channel,
      unit,
      ...(probe.probe === undefined ? {} : { probe: probe.probe }),
      ...(peak ? { peak } : {}),
      ...(peak && limitC !== undefined && isTemperature ? { margin: toUnit(limitC, 'degC', unit) - peak.value } : {}),
      ...counted,
    };
  });
}

/**
 * Peaks between the begin of each pull and its end, which each probe shows by its lag later; the spread until the end alone, since a
 * lift makes the probes differ by how quickly they follow.
 */
export function findPullPeaks(series: SeriesSet, vehicle: Vehicle, pulls: readonly Pull[]): PullPeaks[] {
  const probes = vehicle.engine?.exhaustTemps ?? [];
  const spreadSeries = series.get('exhaust_spread');
  return pulls.map((pull) => {
    const within = (found: Series | undefined, lagS: number) =>
      found && highest(found, series.startUs, series.startUs + pull.from * 1e6, series.startUs + (pull.to + lagS) * 1e6);
    const peaks = new Map<number, Peak>();
    for (const probe of probes) {
      const peak = within(series.get(probe.channel), lagOf(probe));
      if (peak) peaks.set(probe.cylinder, peak);
    }
    const spread = within(spreadSeries, 0);
    return { pull, peaks, ...(spread ? { spread } : {}) };
  });
}

function lagOf({ lagS }: ExhaustProbe): number {
  return lagS?.high ?? lagUsualS;
}

function count({ quality: codes }: Series): { outOfRange: number; bad: number } {
  let [outOfRange, bad] = [0, 0];
  for (const code of codes) {
    if (code === quality.outOfRange) outOfRange++;
    else if (code !== quality.ok) bad++;
  }
  return { outOfRange, bad };
}

/** The first of the highest samples that are ok, times of `fromUs` up to and including `toUs`. */
function highest({ timeUs, value, quality: codes }: Series, startUs: number, fromUs: number, toUs: number): Peak | undefined {
  let at = -1;
  for (let i = 0; i < timeUs.length; i++) {
    const us = timeUs[i] as number;
    if (codes[i] !== quality.ok || us < fromUs || us > toUs) continue;
    if (at < 0 || (value[i] as number) > (value[at] as number)) at = i;
  }
  return at < 0 ? undefined : { value: value[at] as number, atS: ((timeUs[at] as number) - startUs) / 1e6 };
}
