// Channels of a recording on one even time grid, as the dyno's judgement needs them. Pure.
import { hasValue } from '../channels/quality.ts';
import type { Series } from '../channels/series.ts';

/** Values at times `startUs + i × stepUs`; NaN where the channel had no number (this form never leaves the dyno's own arithmetic). */
export interface Trace {
  startUs: number;
  stepUs: number;
  values: Float64Array;
}

/** A value older than this is not carried on. */
const carryMaxUs = 1_000_000;

/** The last value at or before each time of the grid. */
export function toTrace(series: Series, startUs: number, endUs: number, stepUs: number): Trace {
  const values = new Float64Array(Math.max(0, Math.floor((endUs - startUs) / stepUs) + 1));
  let next = 0;
  for (let i = 0; i < values.length; i++) {
    const timeUs = startUs + i * stepUs;
    while (next < series.timeUs.length && (series.timeUs[next] as number) <= timeUs) next++;
    const last = next - 1;
    const fresh = last >= 0 && hasValue(series.quality[last] as number) && timeUs - (series.timeUs[last] as number) <= carryMaxUs;
    values[i] = fresh ? (series.value[last] as number) : Number.NaN;
  }
  return { startUs, stepUs, values };
}

/** Centred mean over `widthUs`; NaN neighbours are left out, a NaN centre stays NaN. */
export function smoothed(trace: Trace, widthUs: number): Trace {
  const half = Math.max(0, Math.round(widthUs / trace.stepUs / 2));
  const { values } = trace;
  const sums = new Float64Array(values.length + 1);
  const counts = new Float64Array(values.length + 1);
  for (let i = 0; i < values.length; i++) {
    const value = values[i] as number;
    const good = !Number.isNaN(value);
    sums[i + 1] = (sums[i] as number) + (good ? value : 0);
    counts[i + 1] = (counts[i] as number) + (good ? 1 : 0);
  }
  const out = values.map((value, i) => {
    if (Number.isNaN(value)) return Number.NaN;
    const from = Math.max(0, i - half);
    const to = Math.min(values.length, i + half + 1);
    return ((sums[to] as number) - (sums[from] as number)) / ((counts[to] as number) - (counts[from] as number));
  });
  return { ...trace, values: out };
}

/** Slope a second over a centred window of `widthUs`; NaN at edges and beside gaps. */
export function slopeOf(trace: Trace, widthUs: number): Float64Array {
  const half = Math.max(1, Math.round(widthUs / trace.stepUs / 2));
  const { values, stepUs } = trace;
  return values.map((_, i) => {
    if (i < half || i + half >= values.length) return Number.NaN;
    return (((values[i + half] as number) - (values[i - half] as number)) * 1e6) / (2 * half * stepUs);
  });
}
