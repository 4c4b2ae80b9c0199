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
  why: 'period' | 'jitter' | 'gap' | 'begin';
}

/** Tolerances of a period: common practice, no source. */
const slowBy = 1.1;
const slowWindowBy = 1.25;
const windowGaps = 16;
const strayGap = 1.5;
const strayShareMax = 0.05;
const longGapPeriods = 5;
const longGapMinUs = 100_000;

/**
 * Whether a frame comes late against its declared period, the device's own silences left out.
 * @param isFlooded Stretches in which errors took frames away.
 */
export function findLateness(
  log: FrameLog,
  outages: readonly Outage[],
  isFlooded: (fromUs: number, toUs: number) => boolean,
): Lateness | undefined {
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
  const usual = Math.min(median, meanGap(kept));
  if (usual > slowBy * period) return { fromUs: (kept[0] as { at: number }).at, measuredUs: usual, why: 'period' };
  const slow = slowWindow(kept, period);
  if (slow) return slow;
  const stray = kept.filter(({ gap }) => gap > strayGap * period && !isLoss(gap, period));
  if (kept.length >= 40 && stray.length > strayShareMax * kept.length) {
    return { fromUs: (stray[0] as { at: number }).at, measuredUs: quantile(ascending, 0.95), why: 'jitter' };
  }
  // Frames that were sent and lost are not late: over a gap of whole periods their counter says so, or the errors that took them.
  const isLost = ({ gap, at }: { gap: number; at: number }) =>
    isLoss(gap, period) && (isCountedOver(log, at, period) || isFlooded(at, at + gap));
  const long = kept.find((one) => one.gap > Math.max(longGapPeriods * period, longGapMinUs) && !isLost(one));
  return long ? { fromUs: long.at, measuredUs: long.gap, why: 'gap' } : undefined;
}

/** The counter moved on with the periods that went by behind this time. */
function isCountedOver(log: FrameLog, atUs: number, period: number): boolean {
  if (log.counterBits < 3) return false;
  const modulus = counterModulus(log);
  const i = indexAtOrBefore(log.timesUs.values, atUs);
  return agreesWithTime(log, i, i + 1, period, modalStep(log, modulus), modulus);
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

/** The mean tells a late frame from one that comes early and late by turns, as through a gateway's loop; the median from one with losses. */
function meanGap(kept: readonly { gap: number }[]): number {
  return kept.reduce((sum, { gap }) => sum + gap, 0) / kept.length;
}

function slowWindow(kept: readonly { gap: number; at: number }[], period: number): Lateness | undefined {
  for (let i = 0; i + windowGaps <= kept.length; i += windowGaps / 2) {
    const ascending = Float64Array.from(kept.slice(i, i + windowGaps), ({ gap }) => gap).sort();
    const usual = Math.min(quantile(ascending, 0.5), meanGap(kept.slice(i, i + windowGaps)));
    if (usual > slowWindowBy * period) return { fromUs: (kept[i] as { at: number }).at, measuredUs: usual, why: 'period' };
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
const extraFramesMin = 6;

/**
 * Two devices on one id: two addresses, more frames than the period allows in interleaved time grids, two counters that take turns, or
 * frames between those of the id's own grid. A single sender that is merely too fast keeps one even grid and one counter; one that also
 * sends on a change says the same again at its next turn.
 * @param isLeftOut Stretches in which a lone sender repeats itself.
 */
export function findSecondTalker(log: FrameLog, isLeftOut: (fromUs: number, toUs: number) => boolean): SecondTalker | undefined {
  const times = log.timesUs.values;
  const addresses = [...log.sources].filter(([, frames]) => frames >= 3).map(([address]) => `0x${address.toString(16).toUpperCase()}`);
  if (addresses.length > 1) {
    return { fromUs: times[0] ?? 0, ratio: addresses.length, evidence: `source addresses ${addresses.join(' and ')} both send it` };
  }
  const period = log.definition?.periodUs;
  if (times.length < 2 * talkWindowPeriods) return undefined;
  if (period === undefined) return findTurns(log, undefined, isLeftOut);
  return findCrowding(log, period, isLeftOut) ?? findTurns(log, period, isLeftOut) ?? findInterlopers(log, period, isLeftOut);
}

/** Many more frames than the period allows for a stretch of time, unevenly spaced. */
function findCrowding(log: FrameLog, period: number, isLeftOut: (fromUs: number, toUs: number) => boolean): SecondTalker | undefined {
  const times = log.timesUs.values;
  const windowUs = talkWindowPeriods * period;
  let run = 0;
  for (let from = times[0] as number; from + windowUs <= (times[times.length - 1] as number); from += windowUs) {
    const first = indexAtOrBefore(times, from - 1) + 1;
    const last = indexAtOrBefore(times, from + windowUs - 1);
    const ratio = (last - first + 1) / talkWindowPeriods;
    const crowded = ratio >= talkRatioMin && unevenGaps(times, first, last, period) && !countsAlone(log, first, last);
    run = crowded && !isLeftOut(from, from + windowUs) ? run + 1 : 0;
    // A sender that was held up may make good what it owes, all at once.
    const extra = last + 1 - (from + windowUs - (times[0] as number)) / period;
    if (run >= 2 && extra > extraFramesMin) {
      const evidence = `${(ratio * talkWindowPeriods).toFixed(0)} frames in ${talkWindowPeriods} periods, in interleaved time grids`;
      return { fromUs: from - (run - 1) * windowUs, ratio, evidence };
    }
  }
  return undefined;
}

/** Interleaved grids that are not spaced evenly: short and long gaps take turns. */
function unevenGaps(times: Float64Array, first: number, last: number, period: number): boolean {
  let short = 0;
  for (let i = first + 1; i <= last; i++) if ((times[i] as number) - (times[i - 1] as number) < closeGap * period) short++;
  return short >= 0.2 * (last - first);
}

/** Every frame counts on from the one before: one sender counts them all. */
function countsAlone(log: FrameLog, first: number, last: number): boolean {
  if (log.counterBits < turnBitsMin) return false;
  const modulus = counterModulus(log);
  let kept = 0;
  for (let i = first + 1; i <= last; i++) if (modulo(log.counters.at(i) - log.counters.at(i - 1), modulus) === 1) kept++;
  return kept >= 0.9 * (last - first);
}

const turnBitsMin = 3;
const turnsMin = 12;
/** A counter may leave out so many frames that were lost. */
const turnLossMax = 3;

/**
 * Two counters that take turns, at whatever rates: each frame counts on from one of two that came before. Of a frame on events this is
 * the only sign; its pages may count by themselves, and then it is none.
 */
function findTurns(
  log: FrameLog,
  period: number | undefined,
  isLeftOut: (fromUs: number, toUs: number) => boolean,
): SecondTalker | undefined {
  const { definition, counters } = log;
  if (log.counterBits < turnBitsMin || !definition) return undefined;
  if (period === undefined ? definition.signals.some(({ when }) => when.length > 0) : ratioOf(log, period) < turnRatioMin) return undefined;
  const modulus = counterModulus(log);
  const ahead = (value: number, last: number) => (Number.isNaN(last) ? modulus : modulo(value - last, modulus));
  const lasts: [number, number] = [counters.at(0), Number.NaN];
  const frames = [1, 0];
  let current = 0;
  let turns = 0;
  let strays = 0;
  let fromUs = 0;
  for (let i = 1; i < counters.length; i++) {
    if (isLeftOut(log.timesUs.at(i), log.timesUs.at(i))) continue;
    const value = counters.at(i);
    const [own, other] = [ahead(value, lasts[current] as number), ahead(value, lasts[1 - current] as number)];
    const isOwn = own === 1 || (own > 0 && own <= turnLossMax && other !== 1);
    const isOther = !isOwn && other > 0 && other <= turnLossMax;
    if (!isOwn && !isOther) strays++;
    if (!isOwn) {
      current = 1 - current;
      if (isOther && turns++ === 0) fromUs = log.timesUs.at(i);
    }
    lasts[current] = value;
    frames[current] = (frames[current] as number) + 1;
  }
  const [first, second] = frames as [number, number];
  const fewer = Math.min(first, second);
  if (turns < turnsMin || strays > 0.15 * turns || fewer < turnsMin || turns < 0.6 * fewer) return undefined;
  const evidence = `two counters take turns, ${first} and ${second} frames`;
  return { fromUs, ratio: (first + second) / Math.max(first, second), evidence };
}

const turnRatioMin = 1.05;

/** Frames that came, over those that one sender would have sent. */
function ratioOf(log: FrameLog, period: number): number {
  return ((log.timesUs.length - 1) * period) / (log.lastUs - log.firstUs);
}

const interlopersMin = 6;
const interloperShare = 0.03;
const keptGridShare = 0.6;

/**
 * Frames that stand between two of the id's own grid: three within one period. Jitter makes no such three, since the frames of one
 * sender are two periods apart there, and behind a silence whatever had waited comes at once.
 */
function findInterlopers(log: FrameLog, period: number, isLeftOut: (fromUs: number, toUs: number) => boolean): SecondTalker | undefined {
  const times = log.timesUs.values;
  const gaps = gapsOf(times);
  const pace = Math.min(1.05 * period, quantile(gaps.slice().sort(), 0.85));
  const changes = new Set(log.changesUs.values);
  let found = 0;
  let onChange = 0;
  let kept = 0;
  let alone = 0;
  let fromUs = 0;
  for (let i = 1; i < gaps.length; i++) {
    const [before, after] = [gaps[i - 1] as number, gaps[i] as number];
    if (after > 0.7 * pace && after < 1.3 * pace) kept++;
    const span = before + after;
    const behindSilence = Math.max(gaps[i - 2] ?? 0, gaps[i - 3] ?? 0) > 1.6 * pace;
    if (span < 0.8 * pace || span > 1.15 * pace || behindSilence || isLeftOut(times[i] as number, times[i] as number)) continue;
    if (found++ === 0) fromUs = times[i] as number;
    // Three in a row count on: one sender.
    if (countsAlone(log, i - 1, i + 1)) alone++;
    if (changes.has(times[i] as number) && !changes.has(times[i + 1] as number)) onChange++;
  }
  if (found < Math.max(interlopersMin, interloperShare * gaps.length)) return undefined;
  if (alone > 0.5 * found || onChange > 0.6 * found) return undefined;
  // Each of them splits one gap of the grid in two.
  if (kept + found < keptGridShare * (gaps.length - found)) return undefined;
  return {
    fromUs,
    ratio: ratioOf(log, period),
    evidence: `${found} frames between those of its own time grid`,
  };
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
 * moved is constant, which is no fault; one whose movement died out by itself came to rest, as a temperature does that settles.
 */
export function findFreeze(log: FrameLog): Freeze | undefined {
  return diedOut(log) ? undefined : findRest(log);
}

/** What moves only now and then, stands still so long by chance more seldom than this: by the share of its moving time, each change by itself. */
const stillByChance = 1e-4;

/** A payload that moved and stands still since, by itself or not. */
export function findRest(log: FrameLog): Freeze | undefined {
  const changes = log.changesUs.values;
  if (changes.length < changesMin) return undefined;
  const lastChange = changes[changes.length - 1] as number;
  const stillUs = log.lastUs - lastChange;
  let longest = 0;
  for (let i = 1; i < changes.length; i++) longest = Math.max(longest, (changes[i] as number) - (changes[i - 1] as number));
  if (stillUs < Math.max(frozenMinUs, frozenTimes * longest)) return undefined;
  const movedUs = lastChange - (changes[0] as number);
  const framesMeanwhile = indexAtOrBefore(log.timesUs.values, lastChange) - indexAtOrBefore(log.timesUs.values, changes[0] as number);
  const isSeldom = changes.length - 1 < framesMeanwhile / 2;
  if (isSeldom && (movedUs / (movedUs + stillUs)) ** (changes.length - 1) > stillByChance) return undefined;
  return { fromUs: lastChange, seconds: stillUs / 1e6 };
}

/** Steps that are as likely in one half of a time as in the other fall so unevenly only once in 500 times: so many standard deviations. */
const unevenBy = 2.88;
const slowingSteps = 4;

/**
 * Far fewer changes in the second half of the time in which a payload moved than in the first, or its last steps each longer than the one
 * before and the last the longest of all; and it went one way, without taking a step back.
 */
function diedOut(log: FrameLog): boolean {
  const changes = log.changesUs.values;
  if (log.stepsBack > 0.1 * changes.length) return false;
  const steps = gapsOf(changes);
  const last = steps.subarray(-slowingSteps);
  const meanOf = (some: Float64Array) => some.reduce((sum, step) => sum + step, 0) / some.length;
  const halfUs = ((changes[0] as number) + (changes[changes.length - 1] as number)) / 2;
  const late = changes.length - 1 - indexAtOrBefore(changes, halfUs);
  const fewerLate = late + 0.5 < changes.length / 2 - (unevenBy * Math.sqrt(changes.length)) / 2;
  if (fewerLate && meanOf(last) > 2 * meanOf(steps)) return true;
  const slowing = last.length === slowingSteps && last.every((step, i) => i === 0 || step >= 0.9 * (last[i - 1] as number));
  const longest = last[last.length - 1] as number;
  return slowing && longest >= 1.5 * (last[0] as number) && steps.every((step) => step <= longest);
}
