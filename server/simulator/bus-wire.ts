// One simulated bus: its devices and its trunk, whose frames the listener hears, and what wiring faults do to them.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Bus } from '../definitions/vehicle.ts';
import { DeviceNode } from './device-node.ts';
import type { Fault, FaultBoard } from './fault.ts';
import { FrameSender } from './frame-sender.ts';
import { Intruder } from './intruder.ts';
import { Line, type LineEvent } from './line.ts';
import { DeafDevice, LoneDevice } from './lone-device.ts';
import { Random } from './random.ts';
import type { Readings } from './readings.ts';
import type { Schedule } from './schedule.ts';
import { Trunk } from './trunk.ts';

/** Spoilt frames a second at 500 kbit/s with one terminator missing, with one too many, and from two devices that collide on an id. */
const missingTerminatorRate = 14;
const thirdTerminatorRate = 3;
const collisionRate = 0.3;

export class BusWire {
  readonly bus: Bus;
  readonly nodes: DeviceNode[];
  readonly line: Line;
  private readonly schedule: Schedule<LineEvent>;
  private readonly faults: FaultBoard;
  private readonly seed: number;
  private readonly random: Random;
  private readonly trunk: Trunk;
  private readonly frozen = new Map<string, Uint8Array>();
  private readonly intruders = new Map<Fault, Intruder>();
  private readonly deaf = new Map<string, DeafDevice>();
  private readonly lone: LoneDevice;
  private nextErrorUs = Number.POSITIVE_INFINITY;
  private errorRate = 0;
  /** One device is on the bus alone. */
  private othersAbsent = false;
  private calm = true;

  constructor(bus: Bus, schedule: Schedule<LineEvent>, readings: Readings, faults: FaultBoard, seed: number) {
    this.bus = bus;
    this.schedule = schedule;
    this.faults = faults;
    this.seed = seed;
    const random = (name: string): Random => new Random(seed, `${name} of bus ${bus.name}`);
    this.random = random('wire');
    this.line = new Line(bus, random('listener'));
    this.trunk = new Trunk(bus, random('trunk'));
    this.lone = new LoneDevice(this.line, schedule);
    schedule.add(this.lone);
    this.nodes = bus.devices.map((device, index) => {
      const senders = device.frames.map(
        (frame) => new FrameSender(frame, bus, 0x10 + index, readings, random(`frame ${frame.name}`), this),
      );
      for (const sender of senders) schedule.add(sender);
      return new DeviceNode(device, senders, schedule, random(`device ${device.name}`));
    });
  }

  /** One physics step: power, and faults of devices and wiring. */
  step(nowUs: number, key: boolean, batteryV: number): void {
    for (const node of this.nodes) node.step(nowUs, key, batteryV, this.faults);
    if (this.faults.quiet && this.calm) return;
    // One more step after the last fault lets everything come back.
    this.calm = this.faults.quiet;
    if (this.calm) this.frozen.clear();
    const edges = this.trunk.step(nowUs, this.faults);
    if (edges > 0) this.line.spoilNext(edges * (2 + Math.floor(this.random.between(0, 4))), 'contact');
    this.stepErrors(nowUs);
    this.stepMisunderstood(nowUs);
    if (key) for (const fault of this.faults.current) this.stepIntruder(fault, nowUs);
    else for (const intruder of this.intruders.values()) intruder.end();
  }

  /** A frame of a described device is due: it goes out, waits its turn, is spoilt, or is not heard. */
  transmit(sender: FrameSender, nowUs: number, batch: FrameBatch): void {
    const { line, schedule } = this;
    const node = this.nodeOf(sender);
    if (!this.faults.quiet && !this.isHeard(sender, node)) {
      sender.build(1);
      schedule.reschedule(sender, sender.nextDue(nowUs, node.stretch));
    } else if (nowUs < line.endUs + sender.wireUs) schedule.reschedule(sender, line.endUs + sender.wireUs);
    else if (line.spoils(nowUs, batch)) schedule.reschedule(sender, line.endUs + sender.wireUs);
    else {
      const bytes = this.bytesOf(sender);
      line.put(nowUs, sender.id, sender.flags, bytes, this.lengthOf(sender), batch);
      schedule.reschedule(sender, sender.nextDue(nowUs, node.stretch));
    }
  }

  private nodeOf(sender: FrameSender): DeviceNode {
    return this.nodes.find((node) => node.name === sender.frame.device) ?? (this.nodes[0] as DeviceNode);
  }

  private lengthOf(sender: FrameSender): number {
    const { length } = sender.bytes;
    if (this.faults.quiet) return length;
    const short = this.faults.of('frame_shortened').find((fault) => fault.frame === sender.frame.name);
    return short ? Math.max(0, length - Math.max(1, Math.round(short.amount))) : length;
  }

  private bytesOf(sender: FrameSender): Uint8Array {
    if (this.faults.quiet) return sender.build(1);
    const { name } = sender.frame;
    const stuck = this.faults.of('counter_stuck').some((fault) => fault.frame === name);
    const skips = this.faults.of('counter_skips').find((fault) => fault.frame === name);
    const periodS = (sender.frame.periodUs ?? 1e5) / 1e6;
    const skipped = skips && this.random.between(0, 1) < periodS / skips.amount ? 1 + Math.floor(this.random.between(1, 4)) : 1;
    const bytes = sender.build(stuck ? 0 : skipped);
    if (!this.faults.of('frozen_payload').some((fault) => fault.frame === name)) {
      this.frozen.delete(name);
      return bytes;
    }
    const kept = this.frozen.get(name) ?? bytes.slice();
    this.frozen.set(name, kept);
    return kept;
  }

  private isHeard(sender: FrameSender, node: DeviceNode): boolean {
    const { faults } = this;
    if (this.othersAbsent || this.deaf.get(node.name)?.active) return false;
    if (faults.of('device_silent').some((fault) => fault.device === node.name)) return false;
    if (faults.of('frame_silent').some((fault) => fault.frame === sender.frame.name)) return false;
    return this.trunk.isReached(node.name);
  }

  /** Noise and reflections: the worse the line and the faster the bus, the more frames are spoilt. */
  private stepErrors(nowUs: number): void {
    const mine = (fault: Fault): boolean => (fault.bus ?? 0) === this.bus.index;
    const noise = this.faults
      .of('bus_noise')
      .filter(mine)
      .reduce((sum, fault) => sum + fault.amount, 0);
    const pace = this.bus.bitRate / 500_000;
    const missing = (this.faults.of('missing_terminator').some(mine) ? 1 : 0) + (this.trunk.unterminated ? 1 : 0);
    const third = this.faults.of('third_terminator').some(mine) ? 1 : 0;
    const collide = this.faults.of('two_talkers').some((fault) => this.findSender(fault.frame) !== undefined) ? collisionRate : 0;
    const rate = noise + missingTerminatorRate * missing * pace * pace + thirdTerminatorRate * third * pace + collide;
    if (rate !== this.errorRate) {
      this.errorRate = rate;
      this.nextErrorUs = rate > 0 ? nowUs + this.random.wait(1e6 / rate) : Number.POSITIVE_INFINITY;
    }
    for (; nowUs >= this.nextErrorUs; this.nextErrorUs += this.random.wait(1e6 / rate)) {
      this.line.spoilNext(1, noise > 0 ? 'noise' : missing + third > 0 ? 'reflection' : 'collision');
    }
  }

  private stepMisunderstood(nowUs: number): void {
    const alone = this.faults.of('alone').map((fault) => this.nodes.find((node) => node.name === fault.device));
    const node = alone.find((found) => found !== undefined);
    this.othersAbsent = node !== undefined;
    if (node?.online) this.lone.begin(node, nowUs);
    else this.lone.end();
    for (const each of this.nodes) {
      const wrong = each.online && this.faults.of('wrong_bit_rate').some((fault) => fault.device === each.name);
      if (!wrong) this.deaf.get(each.name)?.end();
      else this.deafDevice(each.name).begin(nowUs);
    }
  }

  private deafDevice(name: string): DeafDevice {
    const known = this.deaf.get(name);
    if (known) return known;
    const made = new DeafDevice(this.line, this.schedule, new Random(this.seed, `deaf ${name}`));
    this.schedule.add(made);
    this.deaf.set(name, made);
    return made;
  }

  private stepIntruder(fault: Fault, nowUs: number): void {
    if (fault.kind !== 'two_talkers' && fault.kind !== 'unknown_id') return;
    const known = this.intruders.get(fault);
    if (this.othersAbsent) return;
    if (known) {
      if (known.over) known.begin(nowUs);
      return;
    }
    const twin = fault.kind === 'two_talkers' ? this.findSender(fault.frame) : undefined;
    if (fault.kind === 'two_talkers' ? twin === undefined : (fault.bus ?? 0) !== this.bus.index) return;
    const intruder = new Intruder(
      this.line,
      this.schedule,
      this.faults,
      fault,
      twin,
      new Random(this.seed, `intruder ${fault.frame ?? fault.id}`),
    );
    this.schedule.add(intruder);
    this.intruders.set(fault, intruder);
    intruder.begin(nowUs);
  }

  private findSender(frame: string | undefined): FrameSender | undefined {
    for (const node of this.nodes) for (const sender of node.senders) if (sender.frame.name === frame) return sender;
    return undefined;
  }
}
