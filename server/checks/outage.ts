// When each device was silent although it should have spoken, and whether it kept running meanwhile.
import type { Device } from '../definitions/vehicle.ts';
import type { FrameLog, TrafficLog } from './bus-traffic.ts';

/** A stretch without any frame of a device, in which at least one was due. */
export interface Outage {
  device: Device;
  /** Last frame before it; the recording's start for a device that was not there yet. */
  fromUs: number;
  /** First frame after it; the recording's end for one that never came back. */
  toUs: number;
  /** Frames of its fastest id that were due and did not come. */
  missed: number;
  kind: 'gap' | 'late' | 'never' | 'for-good';
  /** Natural logarithm of the odds that it ran on meanwhile rather than restarted. */
  ranOn: number;
  /** The part of it that counters say. */
  counted: number;
  /** `ran-on`: counters and time grid continue; `restarted`: they begin again; `unknown`: nothing tells. */
  meanwhile: 'ran-on' | 'restarted' | 'unknown';
  /** Slack of its edges: the device is not heard more often than this. */
  slackUs: number;
}

/** What was seen of one device. */
export interface DevicePresence {
  device: Device;
  /** Logs of its frames that were seen. */
  logs: FrameLog[];
  /** Times of all its frames in order; those that another device sends too only where it has no other. */
  timesUs: Float64Array;
  /** Shortest of its frames' periods as kept; undefined when none has a period (then silence tells nothing). */
  fastestUs: number | undefined;
  outages: Outage[];
}

/** A gap counts once it is longer than this many periods: one frame is then missing for certain. */
const gapPeriods = 1.7;
/** A device is gone for good when silent to the end for this long at least, and this many periods. */
const goneMinUs = 1_500_000;
const gonePeriods = 6;
/** Devices may boot up to a second apart. */
export const bootMaxUs = 1_500_000;
/** Common practice, no source. */
const bootMinUs = 50_000;

/**
 * Follows one device through the traffic. Repetitions of an unacknowledged sender are not gaps of its other frames.
 * @param isShared Frames that another device sends too: their counters and times tell nothing of this one.
 */
export function followDevice(device: Device, traffic: TrafficLog, isShared: (log: FrameLog) => boolean = () => false): DevicePresence {
  const logs = device.frames.map((frame) => traffic.findDefinitionLog(frame)).filter((log) => log !== undefined);
  const own = logs.filter((log) => !isShared(log));
  const timesUs = mergedTimes(own.length > 0 ? own : logs);
  const periods = device.frames.map((frame) => frame.periodUs).filter((period) => period !== undefined);
  const presence: DevicePresence = { device, logs, timesUs, fastestUs: fastestKept(own.length > 0 ? own : logs), outages: [] };
  if (periods.length === 0) return presence;
  if (timesUs.length === 0) {
    const slackUs = Math.min(...periods);
    const missed = Math.floor((traffic.lastUs - traffic.firstUs) / slackUs);
    presence.outages.push({
      device,
      fromUs: traffic.firstUs,
      toUs: traffic.lastUs,
      missed,
      kind: 'never',
      ranOn: 0,
      counted: 0,
      meanwhile: 'unknown',
      slackUs,
    });
    return presence;
  }
  if (presence.fastestUs !== undefined) findGaps(presence, presence.fastestUs, traffic, own);
  return presence;
}

function findGaps(presence: DevicePresence, fastestUs: number, traffic: TrafficLog, own: readonly FrameLog[]): void {
  const { device, timesUs, outages } = presence;
  const spans = toSpans(own.length > 0 ? own : presence.logs);
  const telling = own.filter((log) => log.definition?.periodUs !== undefined);
  const add = (fromUs: number, toUs: number, slackUs: number, kind: Outage['kind'], { counted, grid }: Weight) => {
    // No device boots in so short a time: off its grid, it was only late.
    const ranOn = counted + (toUs - fromUs < bootMinUs ? Math.max(0, grid) : grid);
    const missed = Math.max(1, Math.round((toUs - fromUs) / slackUs) - 1);
    outages.push({ device, fromUs, toUs, missed, kind, ranOn, counted, meanwhile: toMeanwhile(ranOn), slackUs });
  };
  const first = timesUs[0] as number;
  // A live check listens before the key is on: a device is late behind the first that speaks.
  const beganUs = traffic.firstFrameUs;
  if (first - beganUs > bootMaxUs + gapPeriods * fastestUs) add(beganUs, first, fastestUs, 'late', weighBegun(telling, first));
  for (let i = 1; own.length > 0 && i < timesUs.length; i++) {
    const before = timesUs[i - 1] as number;
    const after = timesUs[i] as number;
    if (after - before <= gapPeriods * fastestUs) continue;
    const dueUs = fastestAlive(spans, before, after);
    if (after - before > gapPeriods * dueUs) add(before, after, dueUs, 'gap', weighRunningOn(telling, before, after, traffic.stampUs));
  }
  const last = timesUs[timesUs.length - 1] as number;
  const dueUs = fastestAlive(spans, last, last - goneMinUs);
  if (traffic.lastUs - last > Math.max(goneMinUs, gonePeriods * dueUs))
    add(last, traffic.lastUs, dueUs, 'for-good', { counted: 0, grid: 0 });
}

/** From its first frame to its last, one of a device's frames speaks at its period. */
interface Span {
  fromUs: number;
  toUs: number;
  periodUs: number;
}

function toSpans(logs: readonly FrameLog[]): Span[] {
  return logs.flatMap((log) => {
    const periodUs = log.timesUs.length > 0 ? keptPeriod(log) : undefined;
    return periodUs === undefined ? [] : [{ fromUs: log.firstUs, toUs: log.lastUs, periodUs }];
  });
}

/**
 * The shortest period of the frames that had begun by `before` and come again at or after `after`; infinite when there is none. Frames
 * begin one after another while a device boots, and one may stop while the others go on: silence is measured by those that are there.
 */
function fastestAlive(spans: readonly Span[], before: number, after: number): number {
  let fastest = Number.POSITIVE_INFINITY;
  for (const { fromUs, toUs, periodUs } of spans) if (fromUs <= before && toUs >= after) fastest = Math.min(fastest, periodUs);
  return fastest;
}

/** The shortest period at which the device really speaks; undefined when none of its frames has one. */
function fastestKept(logs: readonly FrameLog[]): number | undefined {
  const periods = logs.map(keptPeriod).filter((period) => period !== undefined);
  return periods.length === 0 ? undefined : Math.min(...periods);
}

/** The period at which a frame really comes: the declared one, or longer where it comes late. */
function keptPeriod(log: FrameLog): number | undefined {
  const declared = log.definition?.periodUs;
  if (declared === undefined) return undefined;
  return Math.max(declared, log.timesUs.length > 8 ? medianGap(log.timesUs.values) : declared);
}

export function gapsOf(timesUs: Float64Array): Float64Array {
  const gaps = new Float64Array(Math.max(0, timesUs.length - 1));
  for (let i = 0; i < gaps.length; i++) gaps[i] = (timesUs[i + 1] as number) - (timesUs[i] as number);
  return gaps;
}

export function medianGap(timesUs: Float64Array): number {
  return quantile(gapsOf(timesUs).sort(), 0.5);
}

/** Of ascending values; NaN when there are none. */
export function quantile(ascending: Float64Array, share: number): number {
  if (ascending.length === 0) return Number.NaN;
  const at = share * (ascending.length - 1);
  const low = Math.floor(at);
  const a = ascending[low] as number;
  const b = ascending[Math.min(low + 1, ascending.length - 1)] as number;
  return a + (b - a) * (at - low);
}

function mergedTimes(logs: readonly FrameLog[]): Float64Array {
  const merged = new Float64Array(logs.reduce((sum, log) => sum + log.timesUs.length, 0));
  let at = 0;
  for (const log of logs) {
    merged.set(log.timesUs.values, at);
    at += log.timesUs.length;
  }
  return merged.sort();
}

/** Index of the last time at or before `timeUs`; -1 when all are later. */
export function indexAtOrBefore(timesUs: Float64Array, timeUs: number): number {
  let low = 0;
  let high = timesUs.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if ((timesUs[mid] as number) <= timeUs) low = mid + 1;
    else high = mid;
  }
  return low - 1;
}

/** Weighed evidence from which something counts as known: odds of about five to one. */
const knownFrom = 1.6;
/** What a counter that runs on, or begins again, weighs; and one that does neither. */
export const counterWeight = 6;
const oddCounterWeight = -1;
/** What the first count of a device weighs: most counters begin at 0 or 1, and of one under way few counts are so low. */
const begunWeight = 2;
const begunBitsMin = 4;
/** No frame's time grid weighs more than this. */
const gridWeightMax = 3;
/** Share of frames that come off their grid though nothing happened. */
const offGridShare = 0.05;
/** Beyond so many periods a clock's tolerance has washed the grid out. */
const gridPeriodsMax = 150;

/** What counters and time grids say, each as a natural logarithm of odds. */
interface Weight {
  counted: number;
  grid: number;
}

export function toMeanwhile(ranOn: number): Outage['meanwhile'] {
  if (ranOn >= knownFrom) return 'ran-on';
  return ranOn <= -knownFrom ? 'restarted' : 'unknown';
}

/**
 * Did the device run on through a gap? Counters weigh most: beyond a broken wire they run on, after a restart they begin again. The time
 * grid of its frames weighs by how regular they are: after a restart it lies anywhere. A controller that could not send keeps one frame and
 * sends it as soon as it can, off the grid and with an old count: the frame behind it tells then.
 * @returns Natural logarithm of the odds; positive: it ran on.
 */
function weighRunningOn(logs: readonly FrameLog[], beforeUs: number, afterUs: number, stampUs: number): Weight {
  const weight = { counted: 0, grid: 0 };
  for (const log of logs) {
    const last = indexAtOrBefore(log.timesUs.values, beforeUs);
    if (last < 0) continue;
    const { paceUs, spread } = paceOf(log, stampUs);
    let most: Weight | undefined;
    for (let next = last + 1; next <= last + 2 && next < log.timesUs.length; next++) {
      if (log.timesUs.at(next) - afterUs > 4 * paceUs) break;
      const told = weighFrame(log, last, next, paceUs, spread);
      if (!most || told.counted + told.grid > most.counted + most.grid) most = told;
    }
    weight.counted += most?.counted ?? 0;
    weight.grid += most?.grid ?? 0;
  }
  return weight;
}

/** What one frame behind a silence says, beside the last one before it. */
function weighFrame(log: FrameLog, last: number, next: number, paceUs: number, spread: number): Weight {
  const periods = (log.timesUs.at(next) - log.timesUs.at(last)) / paceUs;
  const counted = log.counterBits > 0 ? weighCounter(log, last, next, Math.round(periods)) : 0;
  if (periods >= gridPeriodsMax || periods <= gapPeriods) return { counted, grid: 0 };
  return { counted, grid: weighGrid(Math.abs(periods - Math.round(periods)), spread + 2e-4 * periods) };
}

/** Had a device run before its first frame was seen? Its counters begin there, or are under way. @returns As `weighRunningOn`. */
function weighBegun(logs: readonly FrameLog[], firstUs: number): Weight {
  let counted = 0;
  for (const log of logs) {
    if (log.counterBits < begunBitsMin || log.counters.at(0) < 0 || log.firstUs - firstUs > 4 * (log.definition?.periodUs as number))
      continue;
    counted += log.counters.at(0) <= 2 ? -begunWeight : begunWeight;
  }
  return { counted, grid: 0 };
}

/** @param off Distance from the grid, 0 to 0.5 periods. @param spread Its usual standard deviation. */
function weighGrid(off: number, spread: number): number {
  const usual = Math.exp(-0.5 * (off / spread) ** 2) / (spread * Math.sqrt(Math.PI / 2));
  const anywhere = 2;
  return Math.min(gridWeightMax, Math.log(((1 - offGridShare) * usual) / anywhere + offGridShare));
}

function weighCounter(log: FrameLog, last: number, next: number, periods: number): number {
  const modulus = counterModulus(log);
  const step = modulo(log.counters.at(next) - log.counters.at(last), modulus);
  const off = Math.min(modulo(step - periods, modulus), modulo(periods - step, modulus));
  // A gap of many periods: a clock off by a per cent moves the expected count by one in a hundred.
  const tolerance = 1 + Math.floor(periods / 60);
  if (modulus <= 2 * tolerance + 4) return 0;
  const runsOn = off <= tolerance;
  const startsOver = log.counters.at(next) >= 0 && log.counters.at(next) <= 2;
  if (runsOn && startsOver) return 0;
  if (runsOn) return counterWeight;
  return startsOver ? -counterWeight : oddCounterWeight;
}

function modulo(value: number, by: number): number {
  return ((value % by) + by) % by;
}

const paces = new WeakMap<FrameLog, { frames: number; paceUs: number; spread: number }>();
/** Standard deviation of the distance of two times that are each told in whole steps, in steps: 1 / sqrt(6). */
const stampSpread = 0.41;

/** At what distance a frame's times follow each other where none is missing, and how far they stray from that, in periods. */
function paceOf(log: FrameLog, stampUs: number): { paceUs: number; spread: number } {
  const held = paces.get(log);
  if (held?.frames === log.timesUs.length) return held;
  const declared = log.definition?.periodUs as number;
  const gaps = gapsOf(log.timesUs.values);
  const median = gaps.length > 16 ? quantile(gaps.slice().sort(), 0.5) : declared;
  // Behind a silence the first frame may have waited, and the gap behind it is shorter for that.
  const kept = gaps.filter((gap, i) => gap > 0.6 * median && gap < 1.4 * median && !((gaps[i - 1] ?? 0) > 1.4 * median));
  const paceUs = kept.length > 8 ? kept.reduce((sum, gap) => sum + gap, 0) / kept.length : median;
  const distances = kept.map((gap) => Math.abs(gap - paceUs) / paceUs).sort();
  const spread = Math.max(0.012, kept.length > 8 ? 1.48 * quantile(distances, 0.5) : 0.03, (stampSpread * stampUs) / paceUs);
  const pace = { frames: log.timesUs.length, paceUs, spread };
  paces.set(log, pace);
  return pace;
}

/** How far a counter counts before it begins again: what was seen, else the number of values of its bits. */
export function counterModulus(log: FrameLog): number {
  const full = 2 ** log.counterBits;
  let wraps = 0;
  let wrapsFrom = -1;
  for (let i = 1; i < log.counters.length; i++) {
    const before = log.counters.at(i - 1);
    if (log.counters.at(i) !== 0 || before <= 0) continue;
    if (wrapsFrom === -1) wrapsFrom = before;
    if (before === wrapsFrom) wraps++;
    else if (before > wrapsFrom) {
      wrapsFrom = before;
      wraps = 1;
    }
  }
  return wraps >= 2 ? wrapsFrom + 1 : full;
}
