// Questions that the checks ask of a channel over time: last value, extremes, held conditions, slopes. Pure.
import { hasValue } from '../channels/quality.ts';
import type { Series, SeriesSet } from '../channels/series.ts';
import { toUnit, toUnitOfDifference } from '../channels/unit.ts';

/** A channel's good samples in a unit of the check's choice; times in microseconds of the recording. */
export interface Watched {
  channel: string;
  timeUs: Float64Array;
  value: Float64Array;
  /** Samples without a number (fault, missing) or out of range, by time. */
  badUs: Float64Array;
}

/**
 * The channel's numbers in `unit`; undefined when the recording has none of it. A reading out of its range is a number for `bad` only
 * where `outOfRange` is 'bad'.
 */
export function watch(
  series: SeriesSet,
  channel: string | undefined,
  unit: string | undefined,
  outOfRange: 'good' | 'bad' = 'good',
): Watched | undefined {
  const found = channel === undefined ? undefined : series.get(channel);
  if (!found || channel === undefined) return undefined;
  return toWatched(found, unit ?? found.unit, outOfRange);
}

/** Checks ask of the same channel again and again, some for each pull of an hour: a series never changes once it is made. */
const watchedOf = new WeakMap<Series, Map<string, Watched>>();

function toWatched(series: Series, unit: string, outOfRange: 'good' | 'bad'): Watched {
  const held = watchedOf.get(series) ?? new Map<string, Watched>();
  watchedOf.set(series, held);
  const key = `${outOfRange} ${unit}`;
  const watched = held.get(key) ?? split(series, unit, outOfRange);
  held.set(key, watched);
  return watched;
}

function split({ channel, unit: own, timeUs, value, quality }: Series, unit: string, outOfRange: 'good' | 'bad'): Watched {
  const isGood = (code: number): boolean => hasValue(code) && (outOfRange === 'good' || code === 0);
  let goods = 0;
  for (const code of quality) if (isGood(code)) goods++;
  const watched: Watched = {
    channel,
    timeUs: new Float64Array(goods),
    value: new Float64Array(goods),
    badUs: new Float64Array(quality.length - goods),
  };
  const converts = own !== '' && unit !== '' && own !== unit;
  let good = 0;
  for (let i = 0; i < quality.length; i++) {
    if (!isGood(quality[i] as number)) watched.badUs[i - good] = timeUs[i] as number;
    else {
      watched.timeUs[good] = timeUs[i] as number;
      watched.value[good++] = converts ? toUnit(value[i] as number, own, unit) : (value[i] as number);
    }
  }
  return watched;
}

/** Kelvin of a difference in a channel's own unit of temperature. */
export function toKelvin(difference: number, unit: string): number {
  return unit === 'degF' ? toUnitOfDifference(difference, 'degF', 'K') : difference;
}

/** Index of the first sample at or after a time. */
export function firstAtOrAfter(timeUs: Float64Array, atUs: number): number {
  let low = 0;
  let high = timeUs.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((timeUs[mid] as number) < atUs) low = mid + 1;
    else high = mid;
  }
  return low;
}

/** Older than this a value says nothing of an instant. */
const ageMaxUs = 1_500_000;

/** Last value at or before a time; undefined when there is none of the last 1.5 s. */
export function valueAt(watched: Watched, atUs: number): number | undefined {
  const i = firstAtOrAfter(watched.timeUs, atUs + 1) - 1;
  if (i < 0 || atUs - (watched.timeUs[i] as number) > ageMaxUs) return undefined;
  return watched.value[i];
}

/** Values with fromUs ≤ time ≤ toUs; a view. */
export function valuesWithin(watched: Watched, fromUs: number, toUs: number): Float64Array {
  return watched.value.subarray(firstAtOrAfter(watched.timeUs, fromUs), firstAtOrAfter(watched.timeUs, toUs + 1));
}

export function medianOf(values: ArrayLike<number>): number | undefined {
  if (values.length === 0) return undefined;
  const sorted = Float64Array.from(values).sort();
  const mid = sorted.length >> 1;
  return sorted.length % 2 === 1 ? (sorted[mid] as number) : ((sorted[mid - 1] as number) + (sorted[mid] as number)) / 2;
}

export function medianWithin(watched: Watched, fromUs: number, toUs: number): number | undefined {
  return medianOf(valuesWithin(watched, fromUs, toUs));
}

/**
 * The first stretch within [fromUs, toUs] in which `holds` is true of every sample for at least `forUs`: its begin, and when it had
 * lasted long enough. A gap of more than a second ends it.
 */
export function heldFor(
  watched: Watched,
  fromUs: number,
  toUs: number,
  forUs: number,
  holds: (value: number, timeUs: number) => boolean,
): { fromUs: number; sureUs: number; value: number } | undefined {
  let since: number | undefined;
  let before = Number.NEGATIVE_INFINITY;
  const { timeUs, value } = watched;
  for (let i = firstAtOrAfter(timeUs, fromUs); i < timeUs.length && (timeUs[i] as number) <= toUs; i++) {
    const at = timeUs[i] as number;
    if (!holds(value[i] as number, at)) since = undefined;
    else if (since === undefined || at - before > 1_000_000) since = at;
    before = at;
    if (since !== undefined && at - since >= forUs) return { fromUs: since, sureUs: at, value: value[i] as number };
  }
  return undefined;
}

/** Straight line through the values of a stretch by least squares: slope a second; undefined with fewer than three samples. */
export function slopeWithin(watched: Watched, fromUs: number, toUs: number): number | undefined {
  const from = firstAtOrAfter(watched.timeUs, fromUs);
  const to = firstAtOrAfter(watched.timeUs, toUs + 1);
  const n = to - from;
  if (n < 3) return undefined;
  let meanT = 0;
  let meanV = 0;
  for (let i = from; i < to; i++) {
    meanT += ((watched.timeUs[i] as number) - fromUs) / 1e6 / n;
    meanV += (watched.value[i] as number) / n;
  }
  let above = 0;
  let below = 0;
  for (let i = from; i < to; i++) {
    const t = ((watched.timeUs[i] as number) - fromUs) / 1e6 - meanT;
    above += t * ((watched.value[i] as number) - meanV);
    below += t * t;
  }
  return below > 0 ? above / below : undefined;
}
