// What the wanted signal is thought to follow: a known channel, or the stretches of time in which somebody did something.
import { hasValue } from '../channels/quality.ts';
import type { Series } from '../channels/series.ts';

/** The stimulus as one of the ways in which a signal could follow it. */
export interface Variant {
  /** How much later the signal moves, seconds; negative when it moves first. */
  lagS: number;
  /** First-order time constant of its answer, seconds; 0 answers at once. */
  riseS: number;
  /** Up and down again within each stretch, not held up. */
  swept?: true;
}

export interface Stimulus {
  readonly variants: readonly Variant[];
  /** Instants of the channel's own samples; undefined where the stimulus has none. */
  readonly sampleUs: Float64Array | undefined;
  /** Its values at these (ascending) times under a variant; NaN where nothing is known. */
  valuesAt(timesUs: Float64Array, variant: Variant): Float64Array;
}

const lagsS = [0, 0.02, -0.02, 0.05, -0.05, 0.1, -0.1, 0.2, -0.2, 0.5, -0.5, 1, -1, 2, 4];
const risesS = [0, 0.3, 1, 3, 10, 30];
/** Between samples further apart than this many of their usual gaps nothing is known. */
const gapsMax = 4;

/** A channel whose samples carry numbers; in between it is taken to move in straight lines. */
export function stimulusLike(series: Series): Stimulus {
  const good = Array.from(series.timeUs.keys()).filter((i) => hasValue(series.quality[i] as number));
  const timeUs = Float64Array.from(good, (i) => series.timeUs[i] as number);
  const value = Float64Array.from(good, (i) => series.value[i] as number);
  const gapUs = gapsMax * usualGapUs(timeUs);
  return {
    variants: lagsS.map((lagS) => ({ lagS, riseS: 0 })),
    sampleUs: timeUs,
    valuesAt: (timesUs, { lagS }) => interpolated(timeUs, value, timesUs, lagS * 1e6, gapUs),
  };
}

/** Stretches of time, in microseconds of the recording, within which it was heated, swept, pressed. */
export function stimulusDuring(stretches: readonly { fromUs: number; toUs: number }[]): Stimulus {
  return {
    variants: [...risesS.map((riseS) => ({ lagS: 0, riseS })), { lagS: 0, riseS: 0, swept: true }],
    sampleUs: undefined,
    valuesAt: (timesUs, { riseS, swept }) => (swept ? sweepsAt(stretches, timesUs) : answerTo(stretches, timesUs, riseS * 1e6)),
  };
}

function usualGapUs(timeUs: Float64Array): number {
  const gaps = Array.from({ length: Math.max(0, timeUs.length - 1) }, (_, i) => (timeUs[i + 1] as number) - (timeUs[i] as number));
  gaps.sort((a, b) => a - b);
  return gaps[Math.floor(gaps.length / 2)] ?? 0;
}

function interpolated(timeUs: Float64Array, value: Float64Array, timesUs: Float64Array, lagUs: number, gapUs: number): Float64Array {
  const found = new Float64Array(timesUs.length).fill(Number.NaN);
  let at = 0;
  for (let i = 0; i < timesUs.length; i++) {
    const t = (timesUs[i] as number) - lagUs;
    while (at < timeUs.length && (timeUs[at] as number) <= t) at++;
    const before = at - 1;
    if (before < 0) continue;
    const from = timeUs[before] as number;
    if (from === t) found[i] = value[before] as number;
    if (from === t || at >= timeUs.length) continue;
    const gap = (timeUs[at] as number) - from;
    if (gap <= gapUs) found[i] = (value[before] as number) + (((value[at] as number) - (value[before] as number)) * (t - from)) / gap;
  }
  return found;
}

/** 1 inside the stretches and 0 outside, through a first-order lag: what a probe makes of being heated. */
function answerTo(stretches: readonly { fromUs: number; toUs: number }[], timesUs: Float64Array, riseUs: number): Float64Array {
  const edges = stretches.flatMap(({ fromUs, toUs }) => [
    { atUs: fromUs, step: 1 },
    { atUs: toUs, step: -1 },
  ]);
  return Float64Array.from(timesUs, (t) => {
    let sum = 0;
    for (const { atUs, step } of edges) if (t >= atUs) sum += riseUs === 0 ? step : step * (1 - Math.exp((atUs - t) / riseUs));
    return sum;
  });
}

/** Half a sine in each stretch: a lever moved there and back. */
function sweepsAt(stretches: readonly { fromUs: number; toUs: number }[], timesUs: Float64Array): Float64Array {
  return Float64Array.from(timesUs, (t) => {
    const stretch = stretches.find(({ fromUs, toUs }) => t >= fromUs && t <= toUs);
    return stretch ? Math.sin((Math.PI * (t - stretch.fromUs)) / (stretch.toUs - stretch.fromUs)) : 0;
  });
}
