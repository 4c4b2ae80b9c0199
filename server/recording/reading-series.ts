// Channels of a stored reading in the forms that others take: whole series for judgement, bin codes for plots.
import { hasValue } from '../channels/quality.ts';
import type { Series, SeriesSet } from '../channels/series.ts';
import { binHeld, binNone } from '../contract/packet.ts';
import type { ReadingFile, ReadingTrace } from './reading-file.ts';
import type { SessionFacts } from './session-facts.ts';

/** A reading's channels by name, each read when it is asked for first, and held as long as the set. */
export function seriesSetOf(file: ReadingFile, { firstUs, lastUs, frames }: SessionFacts): SeriesSet {
  const held = new Map<string, Series | undefined>();
  const get = (name: string): Series | undefined => {
    if (!held.has(name)) held.set(name, seriesOf(file, name));
    return held.get(name);
  };
  return { startUs: firstUs, endUs: lastUs, frames, get };
}

function seriesOf(file: ReadingFile, name: string): Series | undefined {
  const channel = file.channels.findLast((candidate) => candidate.name === name);
  if (!channel) return undefined;
  const columns = [...file.samples(channel.id)];
  const count = columns.reduce((sum, column) => sum + column.value.length, 0);
  const series: Series = {
    channel: name,
    unit: channel.unit,
    timeUs: new Float64Array(count),
    value: new Float64Array(count),
    quality: new Uint8Array(count),
  };
  let at = 0;
  for (const { timeUs, value, quality: codes } of columns) {
    series.timeUs.set(timeUs, at);
    series.value.set(value, at);
    series.quality.set(codes, at);
    at += value.length;
  }
  return series;
}

/** The worst quality of each bin; without a sample, whether the value before still held, and if nothing is known. */
export function binCodes({ qualities, last, before }: ReadingTrace): number[] {
  const carried = (code: number): number => (hasValue(code) ? binHeld : code);
  let empty: number = before ? carried(before.quality) : binNone;
  return Array.from(qualities, (mask, i) => {
    if (mask === 0) return empty;
    empty = carried(last[i] as number);
    return 31 - Math.clz32(mask);
  });
}
