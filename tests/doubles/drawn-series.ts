// Channels drawn by a function of time, as a recording's series.
import { quality } from '../../server/channels/quality.ts';
import type { Series, SeriesSet } from '../../server/channels/series.ts';

/** So many samples a second from `startUs` on; NaN is a fault. */
export function drawn(channel: string, unit: string, seconds: number, at: (s: number) => number, perSecond = 20, startUs = 0): Series {
  const count = seconds * perSecond + 1;
  const values = Array.from({ length: count }, (_, i) => at(i / perSecond));
  return {
    channel,
    unit,
    timeUs: Float64Array.from(values, (_, i) => startUs + (i * 1e6) / perSecond),
    value: Float64Array.from(values, (value) => (Number.isNaN(value) ? 0 : value)),
    quality: Uint8Array.from(values, (value) => (Number.isNaN(value) ? quality.fault : quality.ok)),
  };
}

export function seriesOf(series: readonly Series[], seconds: number, startUs = 0): SeriesSet {
  return { startUs, endUs: startUs + seconds * 1e6, frames: 1, get: (name) => series.find(({ channel }) => channel === name) };
}
