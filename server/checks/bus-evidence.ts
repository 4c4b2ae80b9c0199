// One bus of a recording as the bus check's judges see it: its traffic, its devices' silences, its faults, and where verdicts go.
import { type ErrorFrame, headerShare, isFault, isFraming, isUnacknowledged } from '../bus/error-frame.ts';
import type { Bus, Device } from '../definitions/vehicle.ts';
import { type BusTraffic, type FrameLog, idText, type Repetition, type TrafficLog } from './bus-traffic.ts';
import { findSecondTalker, type SecondTalker } from './frame-findings.ts';
import { type DevicePresence, followDevice, indexAtOrBefore, type Outage } from './outage.ts';
import { listCuts, type TrunkBreak } from './trunk-break.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/** Noise that hits anywhere hits the header in about one error of six: its share of a frame's bits. */
const wrongRateHeaderShare = 0.35;

/** A stretch in which one sender repeated one frame because nobody acknowledged it. */
export interface Unacknowledged {
  fromUs: number;
  toUs: number;
  log: FrameLog | undefined;
}

/** Load in percent: the mean of all, and the worst stretches without those of a lone sender that repeats itself. */
export interface Load {
  mean: number;
  worstSecond: number;
  worstSecondAtUs: number;
  worst100Ms: number;
  isOver: boolean;
  /** Only a lone sender's repetitions fill it. */
  isAloneOver: boolean;
}

export class BusEvidence {
  readonly traffic: TrafficLog;
  readonly bus: Bus;
  readonly limits: LimitsOf<'bus'>;
  readonly result: CheckResult;
  readonly seen: BusTraffic;
  readonly faults: ErrorFrame[];
  private readonly faultTimesUs: Float64Array;
  readonly alone: Unacknowledged[];
  /** Frames that two devices send. */
  readonly talkers = new Map<FrameLog, SecondTalker>();
  readonly presences: DevicePresence[];
  /** Undefined where nothing came. */
  readonly load: Load | undefined;
  /** Frames that are late by turns on a bus that is too full. */
  readonly waiting: string[] = [];
  /** Places that may be loose, too seldom shown to be certain of, where no break is certain. */
  readonly perhapsLoose: TrunkBreak[] = [];
  /** Devices that were not there yet when the bus began to speak, and that no break hid. */
  readonly lateDevices = new Map<Device, Outage>();

  constructor(traffic: TrafficLog, bus: Bus, limits: LimitsOf<'bus'>, result: CheckResult) {
    this.traffic = traffic;
    this.bus = bus;
    this.limits = limits;
    this.result = result;
    this.seen = traffic.buses[bus.index] as BusTraffic;
    this.faults = this.seen.errors.filter(isFault);
    this.faultTimesUs = Float64Array.from(this.faults, ({ timeUs }) => timeUs);
    this.alone = this.findUnacknowledged();
    this.load = this.measureLoad();
    for (const log of this.seen.logs) {
      const talker = findSecondTalker(log, (fromUs, toUs) => this.isAlone(fromUs, toUs));
      if (talker) this.talkers.set(log, talker);
    }
    this.presences = bus.devices.map((device) => followDevice(device, traffic, (log) => this.talkers.has(log)));
  }

  add(verdict: Verdict): void {
    this.result.verdicts.push({ ...verdict, bus: this.bus.name });
  }

  at(timeUs: number): number {
    // A recording without any frame has no time of its own.
    return Number.isFinite(timeUs) ? Math.round(timeUs - this.traffic.firstUs) / 1e6 : 0;
  }

  private measureLoad(): Load | undefined {
    const seconds = (this.traffic.lastUs - this.traffic.firstUs) / 1e6;
    if (!(seconds > 0) || this.seen.frames === 0) return undefined;
    const toPercent = (bits: number, overS: number) => (100 * bits) / (this.bus.bitRate * overS);
    const all = this.seen.load.measure(() => false);
    const counted = this.alone.length === 0 ? all : this.seen.load.measure((fromUs, toUs) => this.isAlone(fromUs, toUs));
    const worst = ({ bits, worstSecond }: typeof all) => (seconds >= 1 ? toPercent(worstSecond.bits, 1) : toPercent(bits, seconds));
    const isOver = worst(counted) > this.limits.loadPercent;
    return {
      mean: toPercent(all.bits, seconds),
      worstSecond: worst(counted),
      worstSecondAtUs: counted.worstSecond.atUs,
      worst100Ms: toPercent(counted.worst100Ms.bits, 0.1),
      isOver,
      isAloneOver: !isOver && worst(all) > this.limits.loadPercent,
    };
  }

  findUnacknowledged(): Unacknowledged[] {
    const errors = this.faults.filter(isUnacknowledged);
    const stretches: Unacknowledged[] = this.seen.repetitions
      .filter((repetition) => this.loneSpeaker(repetition))
      .map(({ fromUs, toUs, log }) => ({ fromUs, toUs, log }));
    if (errors.length >= 8 && stretches.length === 0) {
      // Errors at the acknowledge slot alone, with no good frame meanwhile: the sender is there, its listener is not.
      const fromUs = (errors[0] as ErrorFrame).timeUs;
      const toUs = (errors[errors.length - 1] as ErrorFrame).timeUs;
      const share = errors.length / this.faults.length;
      if (share > 0.5 && this.speakersWithin(fromUs, toUs).size <= 1) stretches.push({ fromUs, toUs, log: undefined });
    }
    return stretches;
  }

  /** While it repeats, hardly anybody else is heard. */
  loneSpeaker(repetition: Repetition): boolean {
    let others = 0;
    for (const log of this.seen.logs) {
      if (log !== repetition.log) others += countWithin(log, repetition.fromUs, repetition.toUs);
    }
    return others < 0.02 * repetition.frames;
  }

  speakersWithin(fromUs: number, toUs: number): Set<string> {
    const names = new Set<string>();
    for (const log of this.seen.logs) {
      if (countWithin(log, fromUs, toUs) > 0) names.add(log.definition?.device ?? idText(log.id, log.extended));
    }
    return names;
  }

  /** True while a lone sender repeats itself: what else looks wrong then is a consequence. */
  isAlone(fromUs: number, toUs: number): boolean {
    return this.alone.some((stretch) => stretch.fromUs - 1e6 <= toUs && stretch.toUs + 1e6 >= fromUs);
  }

  faultsWithin(fromUs: number, toUs: number): number {
    return indexAtOrBefore(this.faultTimesUs, toUs) - indexAtOrBefore(this.faultTimesUs, fromUs - 1);
  }

  looksLikeWrongRate(outage: Outage): boolean {
    const seconds = Math.max(0.5, (outage.toUs - outage.fromUs) / 1e6);
    const within = this.faults.filter((error) => error.timeUs >= outage.fromUs && error.timeUs <= outage.toUs);
    const framing = within.filter(isFraming).length;
    const flood = within.length >= 10 && framing / seconds >= 2 && framing >= 0.5 * within.length;
    if (!flood || this.isAlone(outage.fromUs, outage.toUs)) return false;
    const inHeader = headerShare(within);
    if (inHeader !== undefined && inHeader >= wrongRateHeaderShare) return true;
    // Elsewhere than at the trunk's end no break hides a device alone.
    return outage.kind === 'never' && (inHeader === undefined || !this.isAtEnd(outage.device.name));
  }

  /** The whole recording, when not one good frame came and the errors are those of another bit rate; undefined otherwise. */
  findUnread(): Outage | undefined {
    const [device] = this.bus.devices;
    if (this.seen.frames > 0 || !device) return undefined;
    const { firstUs: fromUs, lastUs: toUs } = this.traffic;
    const all: Outage = { device, fromUs, toUs, missed: 0, kind: 'never', ranOn: 0, counted: 0, meanwhile: 'unknown', slackUs: 0 };
    return this.looksLikeWrongRate(all) ? all : undefined;
  }

  /** A break of the trunk could hide it alone, as far as the file says how the trunk runs. */
  isAtEnd(device: string): boolean {
    return this.bus.trunk === undefined || listCuts(this.bus.trunk).some((cut) => cut.beyond.size === 1 && cut.beyond.has(device));
  }

  addWrongRate(outage: Outage): void {
    if (this.result.verdicts.some((verdict) => verdict.code === 'wrong-bit-rate' && verdict.bus === this.bus.name)) return;
    const everybody = this.presences.every((presence) => presence.timesUs.length === 0);
    this.add({
      code: 'wrong-bit-rate',
      ok: false,
      ...(everybody ? {} : { device: outage.device.name }),
      at: this.at(outage.fromUs),
      measured: this.faultsWithin(outage.fromUs, outage.toUs),
      say: everybody
        ? `no good frame, and a flood of stuff and form errors: this bus does not run at ${this.bus.bitRate / 1000} kbit/s, or the adapter does not`
        : `${outage.device.name} is never heard while stuff and form errors come in a flood: it speaks at another bit rate`,
      next: everybody
        ? 'Find the bit rate with every device off but one, listen-only.'
        : `Set ${outage.device.name} to ${this.bus.bitRate / 1000} kbit/s.`,
    });
  }
}

export function countWithin(log: FrameLog, fromUs: number, toUs: number): number {
  return indexAtOrBefore(log.timesUs.values, toUs) - indexAtOrBefore(log.timesUs.values, fromUs - 1);
}
