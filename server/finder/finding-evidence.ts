// What a finding rests on, to be looked at: raw values beside the stimulus, few enough to draw.
import { rawValues } from './field-search.ts';
import type { FrameColumns } from './frame-columns.ts';
import type { Finding } from './signal-finder.ts';
import type { Stimulus } from './stimulus.ts';

/** Columns of the same length; `stimulus` is as the finding's variant has it, null where nothing is known. */
export interface Evidence {
  timeUs: number[];
  raw: number[];
  stimulus: (number | null)[];
}

/** Every n-th frame of the finding's id (and page), at most `pointsMax`. */
export function evidenceOf(recording: FrameColumns, stimulus: Stimulus, finding: Finding, pointsMax = 200): Evidence {
  const frames = recording.ids.find(({ bus, id, flags }) => bus === finding.bus && id === finding.id && flags === finding.flags);
  if (!frames) return { timeUs: [], raw: [], stimulus: [] };
  const { page } = finding;
  const all = Int32Array.from({ length: frames.count }, (_, i) => i);
  const own = page
    ? all.filter((i) => ((frames.byteAt(i, page.startBit >> 3) >> (page.startBit & 7)) & (2 ** page.bitLength - 1)) === page.value)
    : all;
  const step = Math.max(1, Math.ceil(own.length / pointsMax));
  const index = own.filter((_, i) => i % step === 0);
  const timesUs = Float64Array.from(index, (i) => frames.timeUs[i] as number);
  return {
    timeUs: [...timesUs],
    raw: [...rawValues(frames, index, finding)],
    stimulus: Array.from(stimulus.valuesAt(timesUs, finding.variant), (value) => (Number.isNaN(value) ? null : value)),
  };
}
