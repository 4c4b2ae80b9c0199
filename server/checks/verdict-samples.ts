// The samples around each verdict, kept with a run so that it can be looked at when the recording is long gone. Pure.
import { hasValue } from '../channels/quality.ts';
import type { SeriesSet } from '../channels/series.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { firstAtOrAfter } from './watch.ts';

/** Time and value of some samples of a verdict's channel. */
export interface VerdictSamples {
  channel: string;
  unit: string;
  /** Seconds from the first frame. */
  at: number[];
  /** Null where a sample carries no number. */
  value: (number | null)[];
}

const beforeUs = 3_000_000;
const behindUs = 3_000_000;
const samplesMax = 60;

/** The answer with `samples` at every verdict whose channel was recorded: around its `at`, or the last six seconds. */
export function withSamples(result: CheckResult, series: SeriesSet | undefined): CheckResult {
  if (!series) return result;
  return { ...result, verdicts: result.verdicts.map((verdict) => ({ ...verdict, ...samplesOf(verdict, series) })) };
}

function samplesOf({ channel, at }: Verdict, series: SeriesSet): { samples: VerdictSamples } | object {
  const found = channel === undefined ? undefined : series.get(channel);
  if (!found || channel === undefined || found.timeUs.length === 0) return {};
  const atUs = at === undefined ? series.endUs - behindUs : series.startUs + at * 1e6;
  const from = firstAtOrAfter(found.timeUs, atUs - beforeUs);
  const to = firstAtOrAfter(found.timeUs, atUs + behindUs);
  const every = Math.max(1, Math.ceil((to - from) / samplesMax));
  const samples: VerdictSamples = { channel, unit: found.unit, at: [], value: [] };
  for (let i = from; i < to; i += every) {
    const value = found.value[i] as number;
    samples.at.push(Math.round((found.timeUs[i] as number) - series.startUs) / 1e6);
    samples.value.push(hasValue(found.quality[i] as number) ? Number(value.toPrecision(6)) : null);
  }
  return samples.at.length > 0 ? { samples } : {};
}
