// Lowest, highest, mean and percentiles of stored samples between two places, of the samples themselves and not of bins.
import { hasValue, quality } from '../channels/quality.ts';
import type { ChannelStatistics, StatisticsQuery, StatisticsView } from '../contract/statistics.ts';
import { EvenburnError } from '../errors.ts';
import type { ReadingFile } from './reading-file.ts';

/** Which times count. */
type Counts = (timeUs: number) => boolean;

const always: Counts = () => true;

/** @throws EvenburnError CHANNEL_UNKNOWN, REQUEST_WRONG */
export function statisticsOf(reading: ReadingFile, query: StatisticsQuery, known: ReadonlySet<string>): StatisticsView {
  const { from, to } = query;
  if (to < from) throw new EvenburnError('REQUEST_WRONG', { what: '`to` must not lie before `from`' });
  const names = query.channels.split(',').map((name) => name.trim());
  const counts = query.axis === undefined ? always : axisFilter(reading, query, query.axis);
  return { channels: names.map((name) => ofChannel(reading, name, query, known, counts)) };
}

function ofChannel(
  reading: ReadingFile,
  name: string,
  { from, to }: StatisticsQuery,
  known: ReadonlySet<string>,
  counts: Counts,
): ChannelStatistics {
  const isSilent = known.has(name) && !reading.channels.some((channel) => channel.name === name);
  if (isSilent) return summarizeSamples(name, '', { timeUs: [], value: [] }, 0, 0);
  const { id, unit } = reading.channel(name);
  const good: GoodSamples = { timeUs: [], value: [] };
  let [outOfRange, bad] = [0, 0];
  for (const { timeUs, value, quality: codes } of reading.samples(id, from, to + 1)) {
    for (let i = 0; i < timeUs.length; i++) {
      if (!counts(timeUs[i] as number)) continue;
      const code = codes[i] as number;
      if (code === quality.ok) {
        good.timeUs.push(timeUs[i] as number);
        good.value.push(value[i] as number);
      } else if (code === quality.outOfRange) outOfRange++;
      else bad++;
    }
  }
  return summarizeSamples(name, unit, good, outOfRange, bad);
}

/** Quick for times that ascend: the newest value of the axis' channel lies between two values. Late samples may step back a little. */
function axisFilter(reading: ReadingFile, { from, to, axisFrom, axisTo }: StatisticsQuery, axis: string): Counts {
  const { id } = reading.channel(axis);
  const [low, high] = [axisFrom ?? Number.NEGATIVE_INFINITY, axisTo ?? Number.POSITIVE_INFINITY];
  const times: number[] = [];
  const inside: boolean[] = [];
  const isInside = (value: number, code: number): boolean => hasValue(code) && value >= low && value <= high;
  const before = reading.valuesAt(from).get(id);
  times.push(Number.NEGATIVE_INFINITY);
  inside.push(before !== undefined && isInside(before.value, before.quality));
  for (const { timeUs, value, quality: codes } of reading.samples(id, from, to + 1)) {
    for (let i = 0; i < timeUs.length; i++) {
      times.push(timeUs[i] as number);
      inside.push(isInside(value[i] as number, codes[i] as number));
    }
  }
  let at = 0;
  return (timeUs) => {
    while (at > 0 && (times[at] as number) > timeUs) at--;
    while (at + 1 < times.length && (times[at + 1] as number) <= timeUs) at++;
    return inside[at] === true;
  };
}

/** Samples that were ok, in any order. */
export interface GoodSamples {
  timeUs: number[];
  value: number[];
}

export function summarizeSamples(channel: string, unit: string, good: GoodSamples, outOfRange: number, bad: number): ChannelStatistics {
  const counted = { channel, unit, ok: good.value.length, outOfRange, bad };
  if (good.value.length === 0) {
    const none = { low: null, high: null, mean: null, p5: null, p50: null, p95: null };
    return { ...counted, ...none, lowAt: null, highAt: null, p5At: null, p50At: null, p95At: null };
  }
  let sum = 0;
  for (const value of good.value) sum += value;
  const sorted = Float64Array.from(good.value).sort();
  const [low, high] = [sorted[0] as number, sorted[sorted.length - 1] as number];
  // A mean lies between its extremes, whatever the sum was rounded to.
  const mean = Math.min(high, Math.max(low, sum / sorted.length));
  const timeOf = (p: number): number => good.timeUs[good.value.indexOf(sorted[Math.floor(rankOf(sorted, p))] as number)] as number;
  return {
    ...counted,
    low,
    high,
    mean,
    p5: percentile(sorted, 0.05),
    p50: percentile(sorted, 0.5),
    p95: percentile(sorted, 0.95),
    lowAt: timeOf(0),
    highAt: timeOf(1),
    p5At: timeOf(0.05),
    p50At: timeOf(0.5),
    p95At: timeOf(0.95),
  };
}

/**
 * Linear between the two nearest ranks: rank p × (n − 1), the definition 7 of Hyndman and Fan (1996), which spreadsheets use too.
 * `percentile([10, 20, 30, 40], 0.5)` is 25.
 */
function percentile(sorted: Float64Array, p: number): number {
  const rank = rankOf(sorted, p);
  const below = sorted[Math.floor(rank)] as number;
  const above = sorted[Math.ceil(rank)] as number;
  return below + (above - below) * (rank - Math.floor(rank));
}

function rankOf(sorted: Float64Array, p: number): number {
  return p * (sorted.length - 1);
}
