// The bus check's verdicts on one frame: there, on time, of the right length, sent by one device, counting and moving.
import { extractRaw } from '../codec/bits.ts';
import type { Frame } from '../definitions/vehicle.ts';
import type { BusEvidence } from './bus-evidence.ts';
import type { FrameLog } from './bus-traffic.ts';
import { floodFaults, isStarved } from './device-verdicts.ts';
import { findCounterFault, findFreeze, findLateness, findRest, type Lateness, measureTiming } from './frame-findings.ts';
import { bootMaxUs, type DevicePresence, indexAtOrBefore } from './outage.ts';

export function judgeFrame(on: BusEvidence, frame: Frame, presence: DevicePresence): void {
  const log = on.traffic.findDefinitionLog(frame);
  if (!log || log.timesUs.length === 0) {
    judgeAbsent(on, frame, presence);
    return;
  }
  const about = { device: frame.device, frame: frame.name };
  judgeLength(on, log, about, frame);
  const talker = on.talkers.get(log);
  if (talker) {
    on.add({
      code: 'two-talkers',
      ok: false,
      ...about,
      at: on.at(talker.fromUs),
      measured: Math.round(talker.ratio * 100) / 100,
      limit: 1,
      say: `two devices send ${frame.name}: ${talker.evidence}`,
      next: `Give one of them another id. Unplug ${frame.device}: what still comes is the other one.`,
    });
  }
  // Between two senders neither's times nor counts can be followed.
  if (!talker) judgeTiming(on, log, frame, presence, about);
  if (!talker) judgeCounter(on, log, presence, about);
  judgeFreeze(on, log, about);
}

function judgeAbsent(on: BusEvidence, frame: Frame, presence: DevicePresence): void {
  if (frame.periodUs === undefined || presence.timesUs.length === 0 || isStarved(on, presence)) return;
  const present = (presence.timesUs[presence.timesUs.length - 1] as number) - (presence.timesUs[0] as number);
  if (present < 3 * frame.periodUs) return;
  on.add({
    code: 'frame-missing',
    ok: false,
    device: frame.device,
    frame: frame.name,
    measured: 0,
    limit: frame.periodUs / 1e6,
    say: `${frame.name} never came, although ${frame.device} is there`,
    next: `Switch this frame on in ${frame.device}'s set-up, or correct its id in the device file.`,
  });
}

function judgeLength(on: BusEvidence, log: FrameLog, about: { device: string; frame: string }, frame: Frame): void {
  if (log.short === 0) return;
  on.add({
    code: 'frame-short',
    ok: false,
    ...about,
    at: on.at(log.firstShortUs),
    measured: log.shortest,
    limit: frame.lengthBytes,
    say: `${log.short} of ${log.timesUs.length} ${frame.name} frames are shorter than ${frame.lengthBytes} bytes (shortest ${log.shortest}) and were not decoded`,
    next: 'Correct `length` in the device file, or the set-up of the device.',
  });
}

function judgeTiming(
  on: BusEvidence,
  log: FrameLog,
  frame: Frame,
  presence: DevicePresence,
  about: { device: string; frame: string },
): void {
  const timing = measureTiming(log);
  if (frame.periodUs === undefined || on.isAlone(log.firstUs, log.lastUs)) return;
  const begun = findLateBegin(on, log, frame.periodUs, presence);
  if (!timing) {
    if (begun) addLate(on, begun, frame.periodUs, about, {});
    return;
  }
  const stopped = stoppedAlone(log, frame, presence);
  if (stopped !== undefined) {
    on.add({
      code: 'frame-missing',
      ok: false,
      ...about,
      at: on.at(stopped),
      measured: Math.round((on.traffic.lastUs - stopped) / 1000) / 1000,
      limit: frame.periodUs / 1e6,
      say: `${frame.name} stopped at ${on.at(stopped).toFixed(3)} s, although ${frame.device} goes on`,
      next: `Look at what ${frame.device} does at that moment.`,
    });
  }
  const late = findLateness(log, presence.outages, (fromUs, toUs) => on.faultsWithin(fromUs, toUs) >= floodFaults) ?? begun;
  const evidence = {
    periodMs: frame.periodUs / 1000,
    meanMs: timing.meanUs / 1000,
    jitter50Ms: timing.jitter50Us / 1000,
    jitter99Ms: timing.jitter99Us / 1000,
    longestMs: timing.longestUs / 1000,
    longestAt: on.at(timing.longestAtUs),
  };
  if (!late) {
    const say = `${frame.name} every ${ms(timing.meanUs)}, longest gap ${ms(timing.longestUs)}`;
    on.add({ code: 'frame-late', ok: true, ...about, measured: timing.meanUs / 1000, limit: frame.periodUs / 1000, say, evidence });
    return;
  }
  // On a bus that is too full, frames wait their turn: that is told with its load.
  if (late.why !== 'period' && late.why !== 'begin' && on.load?.isOver) on.waiting.push(frame.name);
  else addLate(on, late, frame.periodUs, about, { evidence });
}

const ms = (us: number) => `${(us / 1000).toFixed(us < 100_000 ? 1 : 0)} ms`;

function addLate(on: BusEvidence, late: Lateness, periodUs: number, about: { device: string; frame: string }, more: object): void {
  const began = late.why === 'begin';
  const how = { period: 'comes every', jitter: 'is late by turns, up to every', gap: 'once came only after', begin: 'came first after' }[
    late.why
  ];
  on.add({
    code: 'frame-late',
    ok: false,
    ...about,
    at: on.at(late.fromUs),
    measured: late.measuredUs / 1000,
    limit: (began ? bootMaxUs : periodUs) / 1000,
    say: `${about.frame} ${how} ${ms(late.measuredUs)} ${began ? `(devices may take ${ms(bootMaxUs)} to boot)` : `instead of ${ms(periodUs)}`}`,
    next: began
      ? `Look when ${about.device} gets its supply: a relay or a key position behind the others', or it restarts while it boots.`
      : `Compare with the period in ${about.device}'s manual; a device that is overloaded or starved of bus time sends late.`,
    ...more,
  });
}

/** Of a device that was not there when the bus began to speak, or of a frame that was not when its device did. */
function findLateBegin(on: BusEvidence, log: FrameLog, periodUs: number, presence: DevicePresence): Lateness | undefined {
  const late = on.lateDevices.get(presence.device);
  if (late) return { fromUs: late.fromUs, measuredUs: log.firstUs - late.fromUs, why: 'begin' };
  const deviceUs = presence.timesUs[0] as number;
  const afterUs = log.firstUs - deviceUs;
  const excused = presence.outages.some(({ fromUs, toUs }) => fromUs < log.firstUs && toUs > deviceUs);
  return afterUs > bootMaxUs + beginPeriods * periodUs && !excused ? { fromUs: deviceUs, measuredUs: afterUs, why: 'begin' } : undefined;
}

/** A frame that begins behind its device's others: single ones of it may be lost. */
const beginPeriods = 6;

/** A frame that stopped while its device went on: the time of its last frame. */
function stoppedAlone(log: FrameLog, frame: Frame, presence: DevicePresence): number | undefined {
  const period = frame.periodUs as number;
  const last = log.lastUs;
  const deviceLast = presence.timesUs[presence.timesUs.length - 1] as number;
  return deviceLast - last > Math.max(1_500_000, 6 * period) ? last : undefined;
}

function judgeCounter(on: BusEvidence, log: FrameLog, presence: DevicePresence, about: { device: string; frame: string }): void {
  if (on.isAlone(log.firstUs, log.lastUs)) return;
  if (log.counterBits === 0) return;
  const fault = findCounterFault(log, presence.outages);
  // A counter that stops with the whole payload is the frozen payload's own sign.
  if (fault?.kind === 'stuck' && findFreeze(log)) return;
  if (!fault) {
    on.add({
      code: 'counter-skips',
      ok: true,
      ...about,
      measured: 0,
      limit: 0,
      say: `the counter of ${about.frame} counts every frame`,
    });
    return;
  }
  const channel = log.definition?.counter;
  const stuck = fault.kind === 'stuck';
  on.add({
    code: 'counter-skips',
    ok: false,
    ...about,
    ...(channel ? { channel } : {}),
    at: on.at(fault.fromUs),
    measured: fault.count,
    limit: 0,
    say: stuck
      ? `the counter of ${about.frame} stands still while its frames go on`
      : `the counter of ${about.frame} jumps ${fault.count === 1 ? 'once' : `${fault.count} times`} although no frame is missing`,
    next: stuck
      ? `${about.device} repeats an old frame: its program hangs. Restart it and tell its maker.`
      : 'A gateway or a second sender replaces frames: look at who sends them.',
  });
}

/** Shorter stillness before the first movement may be chance. */
const restMinUs = 1_000_000;

function judgeFreeze(on: BusEvidence, log: FrameLog, about: { device: string; frame: string }): void {
  const freeze = findFreeze(log);
  // The bytes that a shorter frame leaves out don't stand still.
  if (log.lastLength < (log.definition?.lengthBytes ?? 0)) return;
  if (!freeze || on.isAlone(freeze.fromUs, log.lastUs) || !othersMoveOn(on, log, freeze.fromUs) || engineCameToRest(on, freeze.fromUs))
    return;
  if (cameBackToRest(log)) return;
  on.add({
    code: 'payload-frozen',
    ok: false,
    ...about,
    at: on.at(freeze.fromUs),
    measured: freeze.seconds,
    say: `the bytes of ${about.frame} moved until ${on.at(freeze.fromUs).toFixed(3)} s and have stood still since, while its frames go on`,
    next: `${about.device} sends old values: restart it, and check the sensors behind this frame.`,
  });
}

/** Other payloads of this bus that moved before go on moving: it isn't the whole vehicle that came to rest. */
function othersMoveOn(on: BusEvidence, log: FrameLog, sinceUs: number): boolean {
  const movers = on.traffic.buses.flatMap((bus) => bus.logs).filter((other) => other !== log && other.changesUs.length >= 5);
  return movers.some(
    (other) => other.lastUs > sinceUs && other.changesUs.length - 1 - indexAtOrBefore(other.changesUs.values, sinceUs + 1_000_000) >= 3,
  );
}

/** A lever lay still, moved, and lies where it lay: what hangs stops in the middle of its movement. */
function cameBackToRest(log: FrameLog): boolean {
  return log.changesUs.at(0) - log.firstUs >= restMinUs && log.endsAsItBegan;
}

/** Values of an engine that stops come to rest by themselves, each where it ends. */
function engineCameToRest(on: BusEvidence, atUs: number): boolean {
  const speed = on.traffic.vehicle.engine?.roles.speed;
  const log = on.traffic.buses
    .flatMap((bus) => bus.logs)
    .find((other) => other.definition?.signals.some((signal) => signal.name === speed));
  if (!speed || !log) return false;
  const rest = findRest(log);
  return rest !== undefined && rest.fromUs >= atUs - 5_000_000 && speedAtEnd(log, speed) === 0;
}

function speedAtEnd(log: FrameLog, channel: string): number {
  const signal = log.definition?.signals.find((candidate) => candidate.name === channel);
  if (!signal) return Number.NaN;
  const bytes = log.lastBytes.subarray(0, Math.max(0, log.lastLength));
  return Math.abs(Number(extractRaw(bytes, signal) ?? 0n) * signal.factor + signal.offset) < 1 ? 0 : 1;
}
