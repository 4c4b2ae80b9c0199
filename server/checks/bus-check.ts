// The bus check: verdicts on every frame, every device and the line itself, each with its number, its rule and what to do next.
import { extractRaw } from '../codec/bits.ts';
import type { Bus, Frame } from '../definitions/vehicle.ts';
import { type BusTraffic, type FrameLog, idText, type Repetition, type TrafficLog } from './bus-traffic.ts';
import { countByKind, type ErrorFrame, errorClass, isFault, isFraming, isUnacknowledged } from './error-frame.ts';
import { findCounterFault, findFreeze, findLateness, findSecondTalker, measureTiming } from './frame-findings.ts';
import { type DevicePresence, followDevice, indexAtOrBefore, type Outage } from './outage.ts';
import { type Episode, findBreaks, type TrunkBreak, toEpisodes } from './trunk-break.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/** Limits that the user may change (`checks: { bus: { load: 60 % } }`). Common practice, no source. */
export interface BusCheckLimits {
  loadPercent: number;
}

export const defaultBusCheckLimits: BusCheckLimits = { loadPercent: 70 };

/** Judges the traffic gathered so far. Never throws; what the vehicle doesn't say is listed as not judged. */
export function checkBus(traffic: TrafficLog, limits: BusCheckLimits = defaultBusCheckLimits): CheckResult {
  const { vehicle } = traffic;
  const seconds = traffic.frames > 0 ? (traffic.lastUs - traffic.firstUs) / 1e6 : 0;
  const result: CheckResult = { check: 'bus', frames: traffic.frames, seconds, loadPercent: 0, verdicts: [], notJudged: [] };
  for (const bus of vehicle.buses) new OneBus(traffic, bus, limits, result).judge();
  return result;
}

/** A stretch in which one sender repeated one frame because nobody acknowledged it. */
interface Unacknowledged {
  fromUs: number;
  toUs: number;
  log: FrameLog | undefined;
}

class OneBus {
  private readonly traffic: TrafficLog;
  private readonly bus: Bus;
  private readonly limits: BusCheckLimits;
  private readonly result: CheckResult;
  private readonly seen: BusTraffic;
  private readonly faults: ErrorFrame[];
  private readonly presences: DevicePresence[];
  private readonly alone: Unacknowledged[];

  constructor(traffic: TrafficLog, bus: Bus, limits: BusCheckLimits, result: CheckResult) {
    this.traffic = traffic;
    this.bus = bus;
    this.limits = limits;
    this.result = result;
    this.seen = traffic.buses[bus.index] as BusTraffic;
    this.faults = this.seen.errors.filter(isFault);
    this.presences = bus.devices.map((device) => followDevice(device, traffic));
    this.alone = this.findUnacknowledged();
  }

  judge(): void {
    this.judgeAcknowledge();
    this.judgeDevices();
    for (const device of this.presences) for (const frame of device.device.frames) this.judgeFrame(frame, device);
    this.judgeUnknownIds();
    this.judgeErrors();
    this.judgeLoad();
    this.sayWhatIsNotJudged();
  }

  private add(verdict: Verdict): void {
    this.result.verdicts.push({ ...verdict, bus: this.bus.name });
  }

  private at(timeUs: number): number {
    return Math.round(timeUs - this.traffic.firstUs) / 1e6;
  }

  private findUnacknowledged(): Unacknowledged[] {
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
  private loneSpeaker(repetition: Repetition): boolean {
    let others = 0;
    for (const log of this.seen.logs) {
      if (log !== repetition.log) others += countWithin(log, repetition.fromUs, repetition.toUs);
    }
    return others < 0.02 * repetition.frames;
  }

  private speakersWithin(fromUs: number, toUs: number): Set<string> {
    const names = new Set<string>();
    for (const log of this.seen.logs) {
      if (countWithin(log, fromUs, toUs) > 0) names.add(log.definition?.device ?? idText(log.id, log.extended));
    }
    return names;
  }

  /** True while a lone sender repeats itself: what else looks wrong then is a consequence. */
  private isAlone(fromUs: number, toUs: number): boolean {
    return this.alone.some((stretch) => stretch.fromUs - 1e6 <= toUs && stretch.toUs + 1e6 >= fromUs);
  }

  private judgeAcknowledge(): void {
    const [first] = this.alone;
    if (!first) return;
    const definition = first.log?.definition;
    const frames = first.log ? countWithin(first.log, first.fromUs, first.toUs) : 0;
    const rate = frames > 1 ? Math.round((frames - 1) / Math.max(1e-6, (first.toUs - first.fromUs) / 1e6)) : 0;
    this.add({
      code: 'unacknowledged',
      ok: false,
      ...(definition ? { device: definition.device, frame: definition.name } : {}),
      at: this.at(first.fromUs),
      measured: rate,
      say: first.log
        ? `alone and unacknowledged: ${definition?.name ?? idText(first.log.id, first.log.extended)} comes back to back, ${rate} times a second, and every other frame is starved`
        : 'alone and unacknowledged: errors at the acknowledge slot and nobody answers',
      next: 'Add a second node that takes part in the bus, or let the adapter take part (it then acknowledges, and still sends no frame).',
    });
  }

  private judgeDevices(): void {
    const outages = this.presences.flatMap((presence) => presence.outages).filter((outage) => !this.isAlone(outage.fromUs, outage.toUs));
    const breaks = findBreaks(
      this.bus,
      this.presences,
      toEpisodes(outages).filter((episode) => this.couldBeBreak(episode)),
    );
    const accepted = breaks.filter((found) => this.isCertainEnough(found));
    const explained = new Set(accepted.flatMap((found) => found.episodes.flatMap((episode) => episode.outages)));
    for (const found of accepted) this.addBreak(found);
    for (const presence of this.presences) this.judgePresence(presence, explained, breaks);
  }

  /** Devices that begin anew lost their supply, not their bus wire; a lone one that is gone for good is missing, unless the line shows it. */
  private couldBeBreak(episode: Episode): boolean {
    const { outages } = episode;
    const restarted = outages.filter((outage) => outage.meanwhile === 'restarted').length;
    if (restarted > 0 && restarted >= outages.length / 2) return false;
    const [only] = outages;
    if (outages.length > 1 || !only) return true;
    if (only.kind === 'gap') return only.meanwhile === 'ran-on' || this.faultsWithin(only.fromUs, only.toUs) >= 3;
    return only.kind === 'for-good' && this.lineFaultBegins(only);
  }

  /** A break takes the far terminator away too: errors begin with it. A flood of stuff and form errors is a node at another bit rate. */
  private lineFaultBegins(outage: Outage): boolean {
    const seconds = Math.max(0.1, (outage.toUs - outage.fromUs) / 1e6);
    const within = this.faultsWithin(outage.fromUs - 50_000, outage.toUs) / seconds;
    const before = this.faultsWithin(this.traffic.firstUs, outage.fromUs - 50_000);
    const beforeRate = before / Math.max(0.1, (outage.fromUs - this.traffic.firstUs) / 1e6);
    return within > 0.2 && within > 4 * beforeRate && !this.looksLikeWrongRate(outage);
  }

  private faultsWithin(fromUs: number, toUs: number): number {
    return this.faults.reduce((count, error) => count + (error.timeUs >= fromUs && error.timeUs <= toUs ? 1 : 0), 0);
  }

  /** One long silence or several short ones; single frames lost here and there are a noisy line, not a break. */
  private isCertainEnough(found: TrunkBreak): boolean {
    const missed = found.episodes.map((episode) => Math.max(...episode.outages.map((outage) => outage.missed)));
    const clear = missed.filter((count) => count >= 3).length;
    const total = missed.reduce((sum, count) => sum + count, 0);
    const single = this.presences
      .filter((presence) => !found.beyond.includes(presence.device.name))
      .flatMap((presence) => presence.outages)
      .filter((outage) => outage.missed <= 2).length;
    return clear >= 1 ? true : total >= 5 && single < found.episodes.length / 2;
  }

  private addBreak(found: TrunkBreak): void {
    const [first] = found.episodes as [Episode];
    const totalS = found.episodes.reduce((sum, episode) => sum + Math.max(0, episode.coreToUs - episode.coreFromUs), 0) / 1e6;
    const lasting = found.episodes.some((episode) => episode.outages.some((outage) => outage.kind !== 'gap'));
    const times = found.episodes.length;
    this.add({
      code: 'trunk-break',
      ok: false,
      stretch: found.stretch,
      at: this.at(first.fromUs),
      measured: Math.round(totalS * 1000) / 1000,
      limit: 0,
      confidence: Math.max(0.3, (1 - 0.5 ** (times + 1)) / (1 + found.alternatives.length)),
      ...(found.alternatives.length > 0 ? { alternatives: found.alternatives } : {}),
      episodes: found.episodes
        .slice(0, 50)
        .map((episode) => ({ at: this.at(episode.fromUs), seconds: (episode.toUs - episode.fromUs) / 1e6 })),
      devices: [...new Set(found.episodes.flatMap((episode) => episode.outages.map((outage) => outage.device.name)))],
      say: `${found.beyond.join(' and ')} vanish${found.beyond.length === 1 ? 'es' : ''} together ${times === 1 ? 'once' : `${times} times`}${lasting ? ', in the end for good' : ''}, while everything nearer stays: the trunk interrupts between ${found.stretch.replace(' - ', ' and ')}`,
      next: `Move the harness and the connector between ${found.stretch.replace(' - ', ' and ')} while watching, then measure the resistance between the lines with all power off.`,
    });
  }

  private judgePresence(presence: DevicePresence, explained: ReadonlySet<Outage>, breaks: readonly TrunkBreak[]): void {
    const { device, outages } = presence;
    const gone = outages.find((outage) => outage.kind !== 'gap');
    const possible = breaks.filter((found) => found.beyond.includes(device.name)).map((found) => found.stretch);
    if (gone && !this.isStarved(presence)) this.addMissing(gone, possible);
    else if (presence.timesUs.length > 0 || device.frames.some((frame) => frame.periodUs !== undefined)) {
      this.add({ code: 'device-missing', ok: true, device: device.name, say: `${device.name} is present` });
    }
    const restarts = outages.filter((outage) => outage.kind === 'gap' && outage.meanwhile === 'restarted' && !explained.has(outage));
    const [restart] = restarts;
    if (restart) this.addRestart(restart, restarts);
    const drops = outages.filter(
      (outage) =>
        outage.kind === 'gap' &&
        outage.meanwhile !== 'restarted' &&
        !explained.has(outage) &&
        outage.missed >= 3 &&
        outage.toUs - outage.fromUs > 100_000,
    );
    const [drop] = drops;
    if (drop && !this.isAlone(drop.fromUs, drop.toUs)) this.addDrop(drop, drops, possible);
  }

  /** The lone unacknowledged sender itself, or anybody while it repeats: nobody could speak. */
  private isStarved(presence: DevicePresence): boolean {
    return this.alone.some((stretch) => stretch.log?.definition?.device === presence.device.name);
  }

  private addMissing(outage: Outage, possible: readonly string[]): void {
    const name = outage.device.name;
    const never = outage.kind === 'never';
    this.add({
      code: 'device-missing',
      ok: false,
      device: name,
      at: this.at(outage.fromUs),
      measured: never ? 0 : Math.round((outage.toUs - outage.fromUs) / 1000) / 1000,
      ...(possible.length > 0 ? { alternatives: possible.map((stretch) => `trunk-break ${stretch}`) } : {}),
      say: never ? `${name} was never seen` : `${name} fell silent after ${this.at(outage.fromUs).toFixed(3)} s and stayed so`,
      next: `Check the supply and ground of ${name} at its plug, then its bus wires and its bit rate.`,
    });
    if (this.looksLikeWrongRate(outage)) this.addWrongRate(outage);
  }

  private addRestart(first: Outage, restarts: readonly Outage[]): void {
    const longest = Math.max(...restarts.map((outage) => outage.toUs - outage.fromUs)) / 1e6;
    this.add({
      code: 'device-restarts',
      ok: false,
      device: first.device.name,
      at: this.at(first.fromUs),
      measured: restarts.length,
      limit: 0,
      times: restarts.slice(0, 50).map((outage) => ({ at: this.at(outage.fromUs), seconds: (outage.toUs - outage.fromUs) / 1e6 })),
      say: `${first.device.name} restarted ${restarts.length === 1 ? 'once' : `${restarts.length} times`} (silent for up to ${longest.toFixed(2)} s, then began anew)`,
      next: `Watch the supply voltage and ground at ${first.device.name}'s plug, above all while the starter turns.`,
    });
  }

  private addDrop(first: Outage, drops: readonly Outage[], possible: readonly string[]): void {
    this.add({
      code: 'device-drops',
      ok: false,
      device: first.device.name,
      at: this.at(first.fromUs),
      measured: drops.length,
      limit: 0,
      ...(possible.length > 0 ? { alternatives: possible.map((stretch) => `trunk-break ${stretch}`) } : {}),
      say: `${first.device.name} alone fell silent ${drops.length === 1 ? 'once' : `${drops.length} times`} and came back`,
      next: `Move the branch that leads to ${first.device.name} and its plug while watching.`,
    });
  }

  private looksLikeWrongRate(outage: Outage): boolean {
    const seconds = Math.max(0.5, (outage.toUs - outage.fromUs) / 1e6);
    const within = this.faults.filter((error) => error.timeUs >= outage.fromUs && error.timeUs <= outage.toUs);
    const framing = within.filter(isFraming).length;
    return within.length >= 10 && framing / seconds >= 2 && framing >= 0.5 * within.length && !this.isAlone(outage.fromUs, outage.toUs);
  }

  private addWrongRate(outage: Outage): void {
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

  private judgeFrame(frame: Frame, presence: DevicePresence): void {
    const log = this.traffic.findDefinitionLog(frame);
    if (!log || log.timesUs.length === 0) {
      this.judgeAbsent(frame, presence);
      return;
    }
    const about = { device: frame.device, frame: frame.name };
    this.judgeLength(log, about, frame);
    const talker = this.isAlone(log.firstUs, log.lastUs) ? undefined : findSecondTalker(log);
    if (talker) {
      this.add({
        code: 'two-talkers',
        ok: false,
        ...about,
        at: this.at(talker.fromUs),
        measured: Math.round(talker.ratio * 100) / 100,
        limit: 1,
        say: `two devices send ${frame.name}: ${talker.evidence}`,
        next: `Give one of them another id. Unplug ${frame.device}: what still comes is the other one.`,
      });
    }
    this.judgeTiming(log, frame, presence, about);
    if (!talker) this.judgeCounter(log, presence, about);
    this.judgeFreeze(log, about);
  }

  private judgeAbsent(frame: Frame, presence: DevicePresence): void {
    if (frame.periodUs === undefined || presence.timesUs.length === 0 || this.isStarved(presence)) return;
    const present = (presence.timesUs[presence.timesUs.length - 1] as number) - (presence.timesUs[0] as number);
    if (present < 3 * frame.periodUs) return;
    this.add({
      code: 'frame-missing',
      ok: false,
      device: frame.device,
      frame: frame.name,
      measured: 0,
      limit: frame.periodUs / 1000,
      say: `${frame.name} never came, although ${frame.device} is there`,
      next: `Switch this frame on in ${frame.device}'s set-up, or correct its id in the device file.`,
    });
  }

  private judgeLength(log: FrameLog, about: { device: string; frame: string }, frame: Frame): void {
    if (log.short === 0) return;
    this.add({
      code: 'frame-short',
      ok: false,
      ...about,
      at: this.at(log.firstShortUs),
      measured: log.shortest,
      limit: frame.lengthBytes,
      say: `${log.short} of ${log.timesUs.length} ${frame.name} frames are shorter than ${frame.lengthBytes} bytes (shortest ${log.shortest}) and were not decoded`,
      next: 'Correct `length` in the device file, or the set-up of the device.',
    });
  }

  private judgeTiming(log: FrameLog, frame: Frame, presence: DevicePresence, about: { device: string; frame: string }): void {
    const timing = measureTiming(log);
    if (frame.periodUs === undefined || !timing || this.isAlone(log.firstUs, log.lastUs)) return;
    const stopped = this.stoppedAlone(log, frame, presence);
    if (stopped !== undefined) {
      this.add({
        code: 'frame-missing',
        ok: false,
        ...about,
        at: this.at(stopped),
        measured: Math.round((this.traffic.lastUs - stopped) / 1000) / 1000,
        limit: frame.periodUs / 1000,
        say: `${frame.name} stopped at ${this.at(stopped).toFixed(3)} s, although ${frame.device} goes on`,
        next: `Look at what ${frame.device} does at that moment.`,
      });
    }
    const late = findLateness(log, this.presences.find((other) => other.device.name === frame.device)?.outages ?? []);
    const evidence = {
      periodMs: frame.periodUs / 1000,
      meanMs: timing.meanUs / 1000,
      jitter50Ms: timing.jitter50Us / 1000,
      jitter99Ms: timing.jitter99Us / 1000,
      longestMs: timing.longestUs / 1000,
      longestAt: this.at(timing.longestAtUs),
    };
    const ms = (us: number) => `${(us / 1000).toFixed(us < 100_000 ? 1 : 0)} ms`;
    if (!late) {
      const say = `${frame.name} every ${ms(timing.meanUs)}, longest gap ${ms(timing.longestUs)}`;
      this.add({ code: 'frame-late', ok: true, ...about, measured: timing.meanUs / 1000, limit: frame.periodUs / 1000, say, evidence });
      return;
    }
    const how = { period: 'comes every', jitter: 'is late by turns, up to every', gap: 'once came only after' }[late.why];
    this.add({
      code: 'frame-late',
      ok: false,
      ...about,
      at: this.at(late.fromUs),
      measured: late.measuredUs / 1000,
      limit: frame.periodUs / 1000,
      say: `${frame.name} ${how} ${ms(late.measuredUs)} instead of ${ms(frame.periodUs)}`,
      next: `Compare with the period in ${frame.device}'s manual; a device that is overloaded or starved of bus time sends late.`,
      evidence,
    });
  }

  /** A frame that stopped while its device went on: the time of its last frame. */
  private stoppedAlone(log: FrameLog, frame: Frame, presence: DevicePresence): number | undefined {
    const period = frame.periodUs as number;
    const last = log.lastUs;
    const deviceLast = presence.timesUs[presence.timesUs.length - 1] as number;
    return deviceLast - last > Math.max(1_500_000, 6 * period) ? last : undefined;
  }

  private judgeCounter(log: FrameLog, presence: DevicePresence, about: { device: string; frame: string }): void {
    if (this.isAlone(log.firstUs, log.lastUs)) return;
    const fault = findCounterFault(log, presence.outages);
    if (log.counterBits === 0) return;
    if (!fault) {
      this.add({
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
    this.add({
      code: 'counter-skips',
      ok: false,
      ...about,
      ...(channel ? { channel } : {}),
      at: this.at(fault.fromUs),
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

  private judgeFreeze(log: FrameLog, about: { device: string; frame: string }): void {
    const freeze = findFreeze(log);
    if (
      !freeze ||
      this.isAlone(freeze.fromUs, log.lastUs) ||
      !this.othersMoveOn(log, freeze.fromUs) ||
      this.engineCameToRest(freeze.fromUs)
    )
      return;
    this.add({
      code: 'payload-frozen',
      ok: false,
      ...about,
      at: this.at(freeze.fromUs),
      measured: freeze.seconds,
      say: `the bytes of ${about.frame} moved until ${this.at(freeze.fromUs).toFixed(3)} s and have stood still since, while its frames go on`,
      next: `${about.device} sends old values: restart it, and check the sensors behind this frame.`,
    });
  }

  /** Other payloads of this bus that moved before go on moving: it isn't the whole vehicle that came to rest. */
  private othersMoveOn(log: FrameLog, sinceUs: number): boolean {
    const movers = this.traffic.buses.flatMap((bus) => bus.logs).filter((other) => other !== log && other.changesUs.length >= 5);
    return movers.some(
      (other) => other.lastUs > sinceUs && other.changesUs.length - 1 - indexAtOrBefore(other.changesUs.values, sinceUs + 1_000_000) >= 3,
    );
  }

  /** Values of an engine that stops come to rest by themselves, each where it ends. */
  private engineCameToRest(atUs: number): boolean {
    const speed = this.traffic.vehicle.engine?.roles.speed;
    const log = this.traffic.buses
      .flatMap((bus) => bus.logs)
      .find((other) => other.definition?.signals.some((signal) => signal.name === speed));
    if (!speed || !log) return false;
    const rest = findFreeze(log);
    return rest !== undefined && rest.fromUs >= atUs - 5_000_000 && speedAtEnd(log, speed) === 0;
  }

  private judgeUnknownIds(): void {
    for (const log of this.seen.logs) {
      if (log.definition || log.timesUs.length + log.remote === 0) continue;
      const timing = measureTiming(log);
      const likely = this.likelyDevice(log);
      this.add({
        code: 'id-unknown',
        ok: false,
        id: `0x${log.id
          .toString(16)
          .toUpperCase()
          .padStart(log.extended ? 8 : 3, '0')}`,
        ...(log.timesUs.length > 0 ? { at: this.at(log.firstUs) } : {}),
        measured: log.timesUs.length,
        ...(likely ? { likelyDevice: likely } : {}),
        say: `nobody defined ${idText(log.id, log.extended)}: ${log.timesUs.length} frames${timing ? ` every ${(timing.medianUs / 1000).toFixed(1)} ms` : ''}${likely ? `, perhaps of ${likely}` : ''}${this.wrongFormat(log)}`,
        next: 'Describe it in a device file, or find out which device sends it by unplugging one at a time.',
      });
    }
  }

  private wrongFormat(log: FrameLog): string {
    const twin = this.bus.frames.find((frame) => frame.id === log.id && frame.extended !== log.extended);
    return twin ? `; ${twin.name} has this id as ${twin.extended ? '29-bit' : '11-bit'}: correct \`extended\`` : '';
  }

  /** A device whose ids lie around it. */
  private likelyDevice(log: FrameLog): string | undefined {
    let best: { device: string; distance: number } | undefined;
    for (const frame of this.bus.frames) {
      if (frame.id === undefined || frame.extended !== log.extended) continue;
      const distance = Math.abs(frame.id - log.id);
      if (distance <= 16 && (!best || distance < best.distance)) best = { device: frame.device, distance };
    }
    return best?.device;
  }

  private judgeErrors(): void {
    const { seen, faults } = this;
    const [first] = faults;
    if (!first) {
      this.add({
        code: 'bus-errors',
        ok: true,
        measured: 0,
        limit: 0,
        say: 'no errors were reported by the driver (not every driver reports them)',
      });
      return;
    }
    const kinds = countByKind(faults);
    if (this.seen.frames === 0 && this.looksLikeWrongRate(wholeRecording(this.traffic))) this.addWrongRate(wholeRecording(this.traffic));
    this.add({
      code: 'bus-errors',
      ok: false,
      at: this.at(first.timeUs),
      measured: seen.errorsTotal,
      limit: 0,
      kinds: kinds.map(({ what, count, firstUs }) => ({ what, count, at: this.at(firstUs) })),
      say: `${seen.errorsTotal} error frames: ${kinds
        .slice(0, 4)
        .map(({ what, count }) => `${what} (${count})`)
        .join(', ')}. ${errorStory(faults)}`,
      next: errorAdvice(faults),
    });
  }

  private judgeLoad(): void {
    const { load } = this.seen;
    const seconds = (this.traffic.lastUs - this.traffic.firstUs) / 1e6;
    if (!(seconds > 0) || this.seen.frames === 0) return;
    const mean = (100 * load.bits) / (this.bus.bitRate * seconds);
    const worstSecond = seconds >= 1 ? (100 * load.worstSecondBits) / this.bus.bitRate : mean;
    const worst100Ms = (100 * load.worst100MsBits) / (this.bus.bitRate / 10);
    this.result.loadPercent = Math.max(this.result.loadPercent ?? 0, mean);
    const over = Math.max(mean, worstSecond) > this.limits.loadPercent;
    if (over && this.alone.length > 0) return;
    this.add({
      code: 'bus-load',
      ok: !over,
      ...(over ? { at: this.at(load.worstSecondAtUs) } : {}),
      measured: Math.round(mean * 1000) / 1000,
      limit: this.limits.loadPercent,
      worstSecondPercent: Math.round(worstSecond * 100) / 100,
      worst100MsPercent: Math.round(worst100Ms * 100) / 100,
      say: `load ${mean.toFixed(1)} % on average, ${worstSecond.toFixed(1)} % in the worst second, ${worst100Ms.toFixed(1)} % in the worst 100 ms`,
      ...(over ? { next: 'Slow down frames that nobody needs so often, or raise the bit rate of every node.' } : {}),
    });
  }

  private sayWhatIsNotJudged(): void {
    const { bus, result } = this;
    if (!bus.trunk)
      result.notJudged?.push({
        what: `where the trunk of bus ${bus.name} interrupts`,
        line: `trunk: { ${bus.name}: [terminator, ...devices in order along the wire..., terminator] }`,
      });
    for (const frame of bus.frames) {
      if (frame.periodUs === undefined)
        result.notJudged?.push({
          what: `whether ${frame.name} comes on time`,
          line: `period: ... in frame ${frame.name} of ${frame.at.file}`,
        });
    }
  }
}

function wholeRecording(traffic: TrafficLog): Outage {
  const device = traffic.vehicle.buses[0]?.devices[0];
  return {
    device: device ?? { name: '', kind: '', title: '', bus: 0, prefix: '', idOffset: 0, frames: [], at: { file: '', line: 1, column: 1 } },
    fromUs: traffic.firstUs,
    toUs: traffic.lastUs,
    missed: 0,
    kind: 'never',
    meanwhile: 'unknown',
    slackUs: 0,
  };
}

function countWithin(log: FrameLog, fromUs: number, toUs: number): number {
  return indexAtOrBefore(log.timesUs.values, toUs) - indexAtOrBefore(log.timesUs.values, fromUs - 1);
}

function speedAtEnd(log: FrameLog, channel: string): number {
  const signal = log.definition?.signals.find((candidate) => candidate.name === channel);
  if (!signal) return Number.NaN;
  const bytes = log.lastBytes.subarray(0, Math.max(0, log.lastLength));
  return Math.abs(Number(extractRaw(bytes, signal) ?? 0n) * signal.factor + signal.offset) < 1 ? 0 : 1;
}

/** The order in which a controller gave up, in words. */
export function errorStory(errors: readonly ErrorFrame[]): string {
  const steps: string[] = [];
  for (const error of errors) {
    const step = storyStep(error);
    if (step && steps[steps.length - 1] !== step && steps.length < 6) steps.push(step);
  }
  return steps.length > 0 ? `The story: ${steps.join(', then ')}.` : 'Single disturbances: a marginal line.';
}

function storyStep(error: ErrorFrame): string | undefined {
  if ((error.classes & errorClass.busOff) !== 0) return 'bus-off';
  if ((error.classes & errorClass.controller) === 0) return undefined;
  if ((error.controller & 0x30) !== 0) return `error-passive${counted(error)}`;
  if ((error.controller & 0x0c) !== 0) return `error warning${counted(error)}`;
  return undefined;
}

function counted(error: ErrorFrame): string {
  if (error.sent === 0 && error.received === 0) return '';
  return ` (sent ${error.sent}, received ${error.received})`;
}

function errorAdvice(errors: readonly ErrorFrame[]): string {
  const share = (test: (error: ErrorFrame) => boolean) => errors.filter(test).length / errors.length;
  if (errors.some((error) => (error.classes & errorClass.transceiver) !== 0))
    return 'The transceiver names the line: look at that wire first.';
  if (share(isUnacknowledged) > 0.5) return 'Nobody acknowledges: a node alone on the line, an open bus, or everybody else listens only.';
  if (share(isFraming) > 0.5)
    return 'Stuff and form errors: compare the bit rates of all nodes, then termination (60 ohm between the lines, all power off).';
  if (errors.some((error) => (error.classes & errorClass.busOff) !== 0))
    return 'Bus-off: look for a short between the lines, a wrong bit rate, or two senders of one id.';
  return 'With all power off measure the resistance between the lines (60 ohm), then look at stubs, shields and the routing beside ignition leads.';
}
