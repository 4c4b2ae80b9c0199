// What a finding rests on, to be looked at: raw values beside the stimulus, few enough to draw.
import { rawValues } from './field-search.ts';
import type { FrameColumns, IdFrames } from './frame-columns.ts';
import type { Finding } from './signal-finder.ts';
import type { Stimulus } from './stimulus.ts';

/** Columns of the same length; `stimulus` is as the finding's variant has it, null where nothing is known. */
export interface Evidence {
  timeUs: number[];
  raw: number[];
  stimulus: (number | null)[];
}

/** Lowest and highest of each bin, null where none has a value; bin i begins `i × widthUs` behind `fromUs`. */
export interface EvidenceBins {
  fromUs: number;
  widthUs: number;
  raw: Extremes;
  stimulus: Extremes;
}

interface Extremes {
  low: (number | null)[];
  high: (number | null)[];
}

/** Every n-th frame of the finding's id (and page), at most `pointsMax`. */
export function evidenceOf(recording: FrameColumns, stimulus: Stimulus, finding: Finding, pointsMax = 200): Evidence {
  const own = framesOf(recording, finding);
  if (!own) return { timeUs: [], raw: [], stimulus: [] };
  const { frames, all } = own;
  const step = Math.max(1, Math.ceil(all.length / pointsMax));
  const index = all.filter((_, i) => i % step === 0);
  const timesUs = Float64Array.from(index, (i) => frames.timeUs[i] as number);
  return {
    timeUs: [...timesUs],
    raw: [...rawValues(frames, index, finding)],
    stimulus: Array.from(stimulus.valuesAt(timesUs, finding.variant), (value) => (Number.isNaN(value) ? null : value)),
  };
}

/** All frames of the finding's id (and page) over the whole recording, in bins, so that no spike is left out. */
export function binEvidence(recording: FrameColumns, stimulus: Stimulus, finding: Finding, binsMax: number): EvidenceBins {
  const { startUs, endUs } = recording;
  const own = framesOf(recording, finding);
  const widthUs = Math.max(1, Math.ceil((endUs - startUs + 1) / binsMax));
  const count = own ? Math.ceil((endUs - startUs + 1) / widthUs) : 0;
  const empty = (): Extremes => ({ low: new Array(count).fill(null), high: new Array(count).fill(null) });
  const bins: EvidenceBins = { fromUs: startUs, widthUs, raw: empty(), stimulus: empty() };
  if (!own) return bins;
  const { frames, all } = own;
  const timesUs = Float64Array.from(all, (i) => frames.timeUs[i] as number);
  const binOf = (n: number) => Math.floor(((timesUs[n] as number) - startUs) / widthUs);
  rawValues(frames, all, finding).forEach((value, n) => {
    widen(bins.raw, binOf(n), value);
  });
  stimulus.valuesAt(timesUs, finding.variant).forEach((value, n) => {
    if (!Number.isNaN(value)) widen(bins.stimulus, binOf(n), value);
  });
  return bins;
}

function widen({ low, high }: Extremes, bin: number, value: number): void {
  low[bin] = Math.min(low[bin] ?? value, value);
  high[bin] = Math.max(high[bin] ?? value, value);
}

/** The finding's id, and which of its frames count. */
function framesOf(recording: FrameColumns, { bus, id, flags, page }: Finding): { frames: IdFrames; all: Int32Array } | undefined {
  const frames = recording.ids.find((one) => one.bus === bus && one.id === id && one.flags === flags);
  if (!frames) return undefined;
  const every = Int32Array.from({ length: frames.count }, (_, i) => i);
  if (!page) return { frames, all: every };
  const mask = 2 ** page.bitLength - 1;
  return { frames, all: every.filter((i) => ((frames.byteAt(i, page.startBit >> 3) >> (page.startBit & 7)) & mask) === page.value) };
}
