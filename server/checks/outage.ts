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
  kind: 'gap' | 'never' | 'for-good';
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
  /** Times of all its frames in order. */
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
const bootMaxUs = 1_500_000;

/** Follows one device through the traffic. Repetitions of an unacknowledged sender are not gaps of its other frames. */
export function followDevice(device: Device, traffic: TrafficLog): DevicePresence {
  const logs = device.frames.map((frame) => traffic.findDefinitionLog(frame)).filter((log) => log !== undefined);
  const timesUs = mergedTimes(logs);
  const periods = device.frames.map((frame) => frame.periodUs).filter((period) => period !== undefined);
  const presence: DevicePresence = { device, logs, timesUs, fastestUs: fastestKept(logs), outages: [] };
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
      meanwhile: 'unknown',
      slackUs,
    });
    return presence;
  }
  if (presence.fastestUs !== undefined) findGaps(presence, presence.fastestUs, traffic);
  return presence;
}

function findGaps(presence: DevicePresence, periodUs: number, traffic: TrafficLog): void {
  const { device, timesUs, outages } = presence;
  const slackUs = periodUs;
  const first = timesUs[0] as number;
  const add = (fromUs: number, toUs: number, kind: Outage['kind'], meanwhile: Outage['meanwhile']) =>
    outages.push({ device, fromUs, toUs, missed: Math.max(1, Math.round((toUs - fromUs) / periodUs) - 1), kind, meanwhile, slackUs });
  if (first - traffic.firstUs > bootMaxUs + gapPeriods * periodUs) add(traffic.firstUs, first, 'gap', 'restarted');
  // A device's frames may begin one after another while it boots: until its fastest one has, silence is measured by those that have.
  const bootUs = bootingUntil(presence, periodUs);
  for (let i = 1; i < timesUs.length; i++) {
    const before = timesUs[i - 1] as number;
    const after = timesUs[i] as number;
    const dueUs = before < bootUs ? fastestBegun(presence, before) : periodUs;
    if (after - before > gapPeriods * dueUs) add(before, after, 'gap', whatHappened(presence, before, after));
  }
  const last = timesUs[timesUs.length - 1] as number;
  if (traffic.lastUs - last > Math.max(goneMinUs, gonePeriods * periodUs)) add(last, traffic.lastUs, 'for-good', 'unknown');
}

/** When the device's fastest frame first came; 0 when that was longer after its first one than a boot may take. */
function bootingUntil({ logs, timesUs }: DevicePresence, periodUs: number): number {
  const fastest = logs.filter((log) => log.timesUs.length > 0 && keptPeriod(log) === periodUs);
  const begunUs = Math.min(...fastest.map((log) => log.timesUs.at(0)));
  return begunUs - (timesUs[0] as number) <= bootMaxUs ? begunUs : 0;
}

/** The shortest period of the frames that came at or before `timeUs`; infinite while those have none. */
function fastestBegun({ logs }: DevicePresence, timeUs: number): number {
  const begun = logs.filter((log) => log.timesUs.length > 0 && log.timesUs.at(0) <= timeUs);
  return Math.min(...begun.map((log) => keptPeriod(log) ?? Number.POSITIVE_INFINITY));
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

/** Residual from a whole number of periods up to which a frame's time grid counts as continued, and from which as begun anew. */
const gridKept = 0.12;
const gridBroken = 0.22;
/** Beyond so many periods a clock's tolerance has washed the grid out. */
const gridPeriodsMax = 150;

/**
 * Did the device run on through a gap? Counters decide where there are any: beyond a broken wire they run on, after a restart they
 * begin again. Else the time grid of its frames does.
 */
function whatHappened(presence: DevicePresence, beforeUs: number, afterUs: number): Outage['meanwhile'] {
  const byCounter = { ranOn: 0, restarted: 0 };
  const residuals: number[] = [];
  for (const log of presence.logs) {
    const period = log.definition?.periodUs;
    if (period === undefined) continue;
    const last = indexAtOrBefore(log.timesUs.values, beforeUs);
    const next = last + 1;
    if (last < 0 || next >= log.timesUs.length) continue;
    const kept = log.timesUs.length > 16 ? medianGap(log.timesUs.values) : period;
    const periods = (log.timesUs.at(next) - log.timesUs.at(last)) / kept;
    if (log.timesUs.at(next) - afterUs > 4 * kept) continue;
    if (log.counterBits > 0) voteByCounter(log, last, next, Math.round(periods), byCounter);
    if (periods < gridPeriodsMax && periods > gapPeriods) residuals.push(Math.abs(periods - Math.round(periods)));
  }
  if (byCounter.ranOn !== byCounter.restarted) return byCounter.ranOn > byCounter.restarted ? 'ran-on' : 'restarted';
  if (residuals.length === 0) return 'unknown';
  const mean = residuals.reduce((sum, residual) => sum + residual, 0) / residuals.length;
  if (mean <= gridKept) return 'ran-on';
  return mean >= gridBroken ? 'restarted' : 'unknown';
}

function voteByCounter(log: FrameLog, last: number, next: number, periods: number, votes: { ranOn: number; restarted: number }): void {
  const modulus = counterModulus(log);
  const step = (((log.counters.at(next) - log.counters.at(last)) % modulus) + modulus) % modulus;
  const expected = periods % modulus;
  const off = Math.min((((step - expected) % modulus) + modulus) % modulus, (((expected - step) % modulus) + modulus) % modulus);
  // A gap of many periods: a clock off by a per cent moves the expected count by one in a hundred.
  const tolerance = 1 + Math.floor(periods / 60);
  const runsOn = off <= tolerance;
  const startsOver = log.counters.at(next) <= 2;
  if (modulus <= 2 * tolerance + 4) return;
  if (runsOn && !startsOver) votes.ranOn += 2;
  else if (startsOver && !runsOn) votes.restarted += 2;
  else if (!runsOn) votes.restarted++;
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
