// The range of a plot's y axis: round ends around the data, and quiet, so that a live plot doesn't breathe.

export interface YRange {
  from: number;
  to: number;
  /** Between two ticks; both ends are multiples of it. */
  step: number;
}

/**
 * Round ends around `low` to `high`. The range before is kept while the data fits in it and fills at least 40 % of it.
 * `toYRange(undefined, 612, 748)` is 600 to 760 in steps of 40.
 */
export function toYRange(before: YRange | undefined, low: number, high: number): YRange {
  const fits = before !== undefined && low >= before.from && high <= before.to && high - low >= (before.to - before.from) * 0.4;
  if (before && fits) return before;
  const span = Math.max(high - low, Math.abs(high) * 0.02, 1e-6);
  const step = toRoundStep(span / 4);
  const from = Math.floor((low - span * 0.04) / step) * step;
  const to = Math.ceil((high + span * 0.04) / step) * step;
  return { from: low >= 0 ? Math.max(0, from) : from, to, step };
}

/** The next of 1, 2, 4, 5 × a power of ten. */
function toRoundStep(step: number): number {
  const power = 10 ** Math.floor(Math.log10(step));
  const factor = [1, 2, 4, 5, 10].find((candidate) => candidate * power >= step) ?? 10;
  return factor * power;
}
