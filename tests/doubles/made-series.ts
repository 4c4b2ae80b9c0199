// Recordings by channel made by hand in a test: each channel a function of seconds.
import { quality } from '../../server/channels/quality.ts';
import type { Series, SeriesSet } from '../../server/channels/series.ts';

export interface MadeChannel {
  unit: string;
  hz?: number;
  /** Undefined is a sample without a number: the device says that its sensor is faulty. */
  at: (s: number) => number | undefined;
  /** No samples behind this. */
  untilS?: number;
}

export function makeSeries(seconds: number, channels: Record<string, MadeChannel>): SeriesSet {
  const made = new Map(Object.entries(channels).map(([channel, how]) => [channel, toSeries(channel, how, seconds)]));
  return { startUs: 0, endUs: seconds * 1e6, frames: seconds * 100, get: (channel) => made.get(channel) };
}

function toSeries(channel: string, { unit, hz = 20, at, untilS }: MadeChannel, seconds: number): Series {
  const count = Math.floor(Math.min(seconds, untilS ?? seconds) * hz) + 1;
  const values = Array.from({ length: count }, (_, i) => at(i / hz));
  return {
    channel,
    unit,
    timeUs: Float64Array.from({ length: count }, (_, i) => Math.round((i * 1e6) / hz)),
    value: Float64Array.from(values, (value) => value ?? Number.NaN),
    quality: Uint8Array.from(values, (value) => (value === undefined ? quality.fault : quality.ok)),
  };
}
