// What can be said of one frame's traffic: kept period, length, talkers, counter, payload. Each function looks at one thing.
import type { FrameLog } from './bus-traffic.ts';
import { counterModulus, gapsOf, indexAtOrBefore, type Outage, quantile } from './outage.ts';

/** How a frame kept its period. Times in microseconds. */
export interface Timing {
  frames: number;
  meanUs: number;
  medianUs: number;
  /** Median and 99th percentile of the distance from the declared period (from the median where none is declared). */
  jitter50Us: number;
  jitter99Us: number;
  longestUs: number;
  longestAtUs: number;
}

/** Undefined with fewer than two frames. */
export function measureTiming(log: FrameLog): Timing | undefined {
  const times = log.timesUs.values;
  if (times.length < 2) return undefined;
  const gaps = gapsOf(times);
  const ascending = gaps.slice().sort();
  const medianUs = quantile(ascending, 0.5);
  const centre = log.definition?.periodUs ?? medianUs;
  const distances = gaps.map((gap) => Math.abs(gap - centre)).sort();
  const longestUs = ascending[ascending.length - 1] as number;
  return {
    frames: times.length,
    meanUs: ((times[times.length - 1] as number) - (times[0] as number)) / gaps.length,
    medianUs,
    jitter50Us: quantile(distances, 0.5),
    jitter99Us: quantile(distances, 0.99),
    longestUs,
    longestAtUs: times[gaps.indexOf(longestUs)] as number,
  };
}

/** A stretch in which a frame came late, and by what measure. */
export interface Lateness {
  fromUs: number;
  measuredUs: number;
  why: 'period' | 'jitter' | 'gap';
}

/** Tolerances of a period: common practice, no source. */
const slowBy = 1.1;
const slowWindowBy = 1.25;
const windowGaps = 16;
const strayGap = 1.5;
const strayShareMax = 0.05;
const longGapPeriods = 5;
const longGapMinUs = 100_000;

/** Whether a frame comes late against its declared period, the device's own silences left out. */
export function findLateness(log: FrameLog, outages: readonly Outage[]): Lateness | undefined {
  const period = log.definition?.periodUs;
  const times = log.timesUs.values;
  if (period === undefined || times.length < 6) return undefined;
  const kept: { gap: number; at: number }[] = [];
  for (let i = 1; i < times.length; i++) {
    const at = times[i - 1] as number;
    const gap = (times[i] as number) - at;
    const excused = gap > period * strayGap && outages.some((outage) => outage.fromUs < at + gap && outage.toUs > at);
    if (!excused) kept.push({ gap, at });
  }
  if (kept.length < 5) return undefined;
  const ascending = Float64Array.from(kept, ({ gap }) => gap).sort();
  const median = quantile(ascending, 0.5);
  if (median > slowBy * period) return { fromUs: (kept[0] as { at: number }).at, measuredUs: median, why: 'period' };
  const slow = slowWindow(kept, period);
  if (slow) return slow;
  const stray = kept.filter(({ gap }) => gap > strayGap * period && !isLoss(gap, period));
  if (kept.length >= 40 && stray.length > strayShareMax * kept.length) {
    return { fromUs: (stray[0] as { at: number }).at, measuredUs: quantile(ascending, 0.95), why: 'jitter' };
  }
  const long = kept.find(({ gap }) => gap > Math.max(longGapPeriods * period, longGapMinUs));
  return long ? { fromUs: long.at, measuredUs: long.gap, why: 'gap' } : undefined;
}

/** A gap of whole periods: a frame was lost there, and the next came on time. */
function isLoss(gap: number, period: number): boolean {
  const periods = gap / period;
  return periods > 1.8 && Math.abs(periods - Math.round(periods)) < 0.12;
}

const strayInRowMax = 4;
const strayCounts = new WeakMap<FrameLog, { frames: number; lost: number }>();

/** Frames of a periodic log that are missing one to four in a row, between others that came on time. */
export function strayLosses(log: FrameLog): number {
  const held = strayCounts.get(log);
  if (held?.frames === log.timesUs.length) return held.lost;
  const period = log.definition?.periodUs;
  let lost = 0;
  if (period !== undefined) {
    for (const gap of gapsOf(log.timesUs.values))
      if (gap < (strayInRowMax + 1.5) * period && isLoss(gap, period)) lost += Math.round(gap / period) - 1;
  }
  strayCounts.set(log, { frames: log.timesUs.length, lost });
  return lost;
}

function slowWindow(kept: readonly { gap: number; at: number }[], period: number): Lateness | undefined {
  for (let i = 0; i + windowGaps <= kept.length; i += windowGaps / 2) {
    const ascending = Float64Array.from(kept.slice(i, i + windowGaps), ({ gap }) => gap).sort();
    const median = quantile(ascending, 0.5);
    if (median > slowWindowBy * period) return { fromUs: (kept[i] as { at: number }).at, measuredUs: median, why: 'period' };
  }
  return undefined;
}

/** A second sender of one id. */
export interface SecondTalker {
  fromUs: number;
  /** Frames a second over what one sender would send. */
  ratio: number;
  evidence: string;
}

const closeGap = 0.55;
const talkWindowPeriods = 12;
const talkRatioMin = 1.35;

/**
 * Two devices on one id: more frames than the period allows for a stretch of time, in two interleaved time grids or with two
 * alternating payloads. A single sender that is merely too fast keeps one even grid and one counter.
 */
export function findSecondTalker(log: FrameLog): SecondTalker | undefined {
  const times = log.timesUs.values;
  const addresses = [...log.sources].filter(([, frames]) => frames >= 3).map(([address]) => `0x${address.toString(16).toUpperCase()}`);
  if (addresses.length > 1) {
    return { fromUs: times[0] ?? 0, ratio: addresses.length, evidence: `source addresses ${addresses.join(' and ')} both send it` };
  }
  const period = log.definition?.periodUs;
  if (period === undefined || times.length < 2 * talkWindowPeriods) return undefined;
  const windowUs = talkWindowPeriods * period;
  let run = 0;
  for (let from = times[0] as number; from + windowUs <= (times[times.length - 1] as number); from += windowUs) {
    const first = indexAtOrBefore(times, from - 1) + 1;
    const last = indexAtOrBefore(times, from + windowUs - 1);
    const ratio = (last - first + 1) / talkWindowPeriods;
    run = ratio >= talkRatioMin && unevenGaps(times, first, last, period) ? run + 1 : 0;
    if (run === 2) {
      const evidence = `${(ratio * talkWindowPeriods).toFixed(0)} frames in ${talkWindowPeriods} periods, in interleaved time grids`;
      return { fromUs: from - windowUs, ratio, evidence };
    }
  }
  return evenlyDoubled(log, period);
}

/** Interleaved grids that are not spaced evenly: short and long gaps take turns. */
function unevenGaps(times: Float64Array, first: number, last: number, period: number): boolean {
  let short = 0;
  for (let i = first + 1; i <= last; i++) if ((times[i] as number) - (times[i - 1] as number) < closeGap * period) short++;
  return short >= 0.2 * (last - first);
}

/** Two senders that happen to be half a period apart: only a counter that takes turns tells them from one fast sender. */
function evenlyDoubled(log: FrameLog, period: number): SecondTalker | undefined {
  if (log.counters.length < 40) return undefined;
  const modulus = counterModulus(log);
  const median = quantile(gapsOf(log.timesUs.values).sort(), 0.5);
  if (median > 0.7 * period) return undefined;
  let odd = 0;
  for (let i = 2; i < log.counters.length; i++) {
    const step = modulo(log.counters.at(i) - log.counters.at(i - 1), modulus);
    const stepOfTwo = modulo(log.counters.at(i) - log.counters.at(i - 2), modulus);
    if (step !== 1 && stepOfTwo === 1) odd++;
  }
  if (odd < log.counters.length / 3) return undefined;
  return { fromUs: log.firstUs, ratio: period / median, evidence: 'two counters take turns' };
}

export interface CounterFault {
  kind: 'skips' | 'stuck';
  count: number;
  fromUs: number;
}

const stuckFramesMin = 12;

/**
 * A counter that stands still or jumps although no frame is missing. Jumps over lost frames, and a beginning anew after a restart,
 * are consequences and don't count.
 */
export function findCounterFault(log: FrameLog, outages: readonly Outage[]): CounterFault | undefined {
  if (log.counterBits === 0 || log.counters.length < 4) return undefined;
  const times = log.timesUs.values;
  const stuck = findStuck(log);
  if (stuck !== undefined) return { kind: 'stuck', count: stuckFramesMin, fromUs: times[stuck] as number };
  const period = log.definition?.periodUs ?? evenPeriod(times);
  // Of a frame that comes on events nobody knows whether one was lost.
  if (period === undefined) return undefined;
  const fault = findSkips(log, outages, period, counterModulus(log));
  const seen = fault && modulusOfRange(log);
  return seen !== undefined && !findSkips(log, outages, period, seen) ? undefined : fault;
}

/**
 * The modulus of a counter that uses all values it was seen at and no others, as 0 to 14 or 1 to 15 in four bits: one wrap can't tell it
 * from a jump. Undefined where the lowest is not one at which counters begin (0 or 1: common practice, no source).
 */
function modulusOfRange(log: FrameLog): number | undefined {
  let lowest = Number.POSITIVE_INFINITY;
  let highest = Number.NEGATIVE_INFINITY;
  for (const value of log.counters.values) {
    // A frame too short for its counter has none.
    if (value < 0) continue;
    lowest = Math.min(lowest, value);
    highest = Math.max(highest, value);
  }
  return lowest <= 1 && highest > lowest ? highest - lowest + 1 : undefined;
}

/** Jumps of a counter of this modulus that no lost frame, no outage and no late frame explains. */
function findSkips(log: FrameLog, outages: readonly Outage[], period: number, modulus: number): CounterFault | undefined {
  const times = log.timesUs.values;
  const usualStep = modalStep(log, modulus);
  const stepFrom = (from: number, to: number) => modulo(log.counters.at(to) - log.counters.at(from), modulus);
  let skips = 0;
  let firstSkip = 0;
  for (let i = 1; i < log.counters.length; i++) {
    if (log.counters.at(i) < 0 || log.counters.at(i - 1) < 0 || stepFrom(i - 1, i) === usualStep) continue;
    const at = times[i] as number;
    const before = times[i - 1] as number;
    if (outages.some((outage) => outage.fromUs <= at && outage.toUs >= before)) continue;
    // Frames lost, or one that came late behind them: over a wider span the counter still agrees with the time that passed.
    if (spans.some(([back, ahead]) => agreesWithTime(log, i - 1 - back, i + ahead, period, usualStep, modulus))) continue;
    if (skips++ === 0) firstSkip = at;
  }
  return skips > 0 ? { kind: 'skips', count: skips, fromUs: firstSkip } : undefined;
}

/** The period of a frame that keeps one although none is declared. */
function evenPeriod(times: Float64Array): number | undefined {
  const gaps = gapsOf(times).sort();
  const median = quantile(gaps, 0.5);
  return quantile(gaps, 0.1) > 0.8 * median && quantile(gaps, 0.9) < 1.2 * median ? median : undefined;
}

const spans: [back: number, ahead: number][] = [
  [0, 0],
  [1, 1],
  [0, 2],
  [2, 0],
];

/** From frame `from` to frame `to` the counter moved by as many steps as periods went by, and at least one frame is missing there. */
function agreesWithTime(log: FrameLog, from: number, to: number, period: number, usualStep: number, modulus: number): boolean {
  if (from < 0 || to >= log.counters.length) return false;
  const periods = Math.round((log.timesUs.at(to) - log.timesUs.at(from)) / period);
  return periods > to - from && modulo(log.counters.at(to) - log.counters.at(from) - periods * usualStep, modulus) === 0;
}

/** Index from which a counter stands still for many frames; undefined when it never does. */
function findStuck(log: FrameLog): number | undefined {
  let still = 0;
  for (let i = 1; i < log.counters.length; i++) {
    still = log.counters.at(i) === log.counters.at(i - 1) && log.counters.at(i) >= 0 ? still + 1 : 0;
    if (still === stuckFramesMin) return i - still;
  }
  return undefined;
}

function modulo(value: number, by: number): number {
  return ((value % by) + by) % by;
}

/** A counter that counts by another step than one (four messages share it, say) is right as long as the step is kept. */
function modalStep(log: FrameLog, modulus: number): number {
  const counts = new Map<number, number>();
  for (let i = 1; i < log.counters.length; i++) {
    const step = modulo(log.counters.at(i) - log.counters.at(i - 1), modulus);
    if (step !== 0) counts.set(step, (counts.get(step) ?? 0) + 1);
  }
  const ranked = [...counts].sort((a, b) => b[1] - a[1]);
  const [best] = ranked;
  return best && best[1] > 0.5 * (log.counters.length - 1) ? best[0] : 1;
}

export interface Freeze {
  fromUs: number;
  seconds: number;
}

const frozenMinUs = 3_000_000;
const frozenTimes = 8;
const changesMin = 5;

/**
 * A payload that moved and then stopped for good: still for much longer than it ever was since it first moved. A frame that never
 * moved is constant, which is no fault.
 */
export function findFreeze(log: FrameLog): Freeze | undefined {
  const changes = log.changesUs.values;
  if (changes.length < changesMin) return undefined;
  const lastChange = changes[changes.length - 1] as number;
  const stillUs = log.lastUs - lastChange;
  let longest = 0;
  for (let i = 1; i < changes.length; i++) longest = Math.max(longest, (changes[i] as number) - (changes[i - 1] as number));
  if (stillUs < Math.max(frozenMinUs, frozenTimes * longest)) return undefined;
  return { fromUs: lastChange, seconds: stillUs / 1e6 };
}
