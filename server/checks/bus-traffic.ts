// What a stretch of bus traffic looked like, id by id: the evidence from which the bus check judges.
import { type ErrorFrame, toErrorFrame } from '../bus/error-frame.ts';
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { extractRaw } from '../codec/bits.ts';
import { compileDecoder, type Decoder, pgnOf } from '../codec/decoder.ts';
import { Transport } from '../codec/transport.ts';
import { wireSeconds } from '../codec/wire-length.ts';
import type { Bus, Frame, Signal, Vehicle } from '../definitions/vehicle.ts';
import { Column } from './column.ts';
import { SupplyVoltage } from './supply-voltage.ts';

/** All that was seen of one id (for J1939 groups: of one definition) on one bus. Times are microseconds of the recording. */
export class FrameLog {
  readonly bus: number;
  readonly id: number;
  readonly extended: boolean;
  /** Undefined for an id that nobody defined. */
  readonly definition: Frame | undefined;
  readonly timesUs = new Column();
  /** Times at which a data byte other than the counter's differed from the frame before. */
  readonly changesUs = new Column();
  /** Changes by which the payload became again what it was before the last change. */
  stepsBack = 0;
  /** The counter's raw value of each frame, with the same index as `timesUs`; empty without a counter. */
  readonly counters = new Column();
  readonly counterBits: number;
  /** Source addresses of J1939 frames, with the number of frames of each. */
  readonly sources = new Map<number, number>();
  short = 0;
  long = 0;
  shortest = Number.POSITIVE_INFINITY;
  remote = 0;
  firstShortUs = 0;
  /** Time on the wire in bits of the bus's own rate (for CAN FD at two rates not a whole number). */
  bits = 0;
  lastBytes: Uint8Array;
  lastLength = -1;
  /** Data before the last change. */
  private bytesBefore = new Uint8Array(64);
  private lengthBefore = -1;
  /** Data of the first frame. */
  private firstBytes = new Uint8Array(0);
  private readonly counter: Signal | undefined;
  /** 1 bits where a byte belongs to the payload, 0 where it belongs to the counter. */
  private readonly payloadMask: Uint8Array;

  constructor(bus: number, id: number, extended: boolean, definition: Frame | undefined) {
    this.bus = bus;
    this.id = id;
    this.extended = extended;
    this.definition = definition;
    this.counter = definition?.signals.find((signal) => signal.name === definition.counter);
    this.counterBits = this.counter?.bitLength ?? 0;
    this.lastBytes = new Uint8Array(Math.max(64, definition?.lengthBytes ?? 0));
    this.payloadMask = new Uint8Array(this.lastBytes.length).fill(0xff);
    if (this.counter) clearBits(this.payloadMask, this.counter);
  }

  take(timeUs: number, id: number, bytes: Uint8Array, length: number, bits: number): void {
    this.timesUs.push(timeUs);
    this.bits += bits;
    const needed = this.definition?.lengthBytes;
    if (needed !== undefined && length < needed) {
      if (this.short++ === 0) this.firstShortUs = timeUs;
    } else if (needed !== undefined && length > needed) this.long++;
    this.shortest = Math.min(this.shortest, length);
    if (this.definition?.pgn !== undefined) this.sources.set(id & 0xff, (this.sources.get(id & 0xff) ?? 0) + 1);
    if (this.counter) this.counters.push(Number(extractRaw(bytes, this.counter) ?? -1n));
    if (this.lastLength < 0) this.firstBytes = bytes.slice(0, length);
    else if (this.differs(bytes, length, this.lastBytes, this.lastLength)) this.takeChange(timeUs, bytes, length);
    if (length > this.lastBytes.length) this.lastBytes = new Uint8Array(length);
    this.lastBytes.set(bytes.subarray(0, length));
    this.lastLength = length;
  }

  private takeChange(timeUs: number, bytes: Uint8Array, length: number): void {
    if (!this.differs(bytes, length, this.bytesBefore, this.lengthBefore)) this.stepsBack++;
    this.changesUs.push(timeUs);
    if (this.lastLength > this.bytesBefore.length) this.bytesBefore = new Uint8Array(this.lastLength);
    this.bytesBefore.set(this.lastBytes.subarray(0, this.lastLength));
    this.lengthBefore = this.lastLength;
  }

  private differs(bytes: Uint8Array, length: number, others: Uint8Array, othersLength: number): boolean {
    if (length !== othersLength) return true;
    for (let i = 0; i < length; i++) {
      if ((((bytes[i] as number) ^ (others[i] as number)) & (this.payloadMask[i] ?? 0xff)) !== 0) return true;
    }
    return false;
  }

  /** The last frame says what the first one said, its counter aside. */
  get endsAsItBegan(): boolean {
    return this.timesUs.length > 0 && !this.differs(this.firstBytes, this.firstBytes.length, this.lastBytes, this.lastLength);
  }

  get firstUs(): number {
    return this.timesUs.at(0);
  }

  get lastUs(): number {
    return this.timesUs.at(this.timesUs.length - 1);
  }
}

function clearBits(mask: Uint8Array, signal: Signal): void {
  const ones = new Uint8Array(mask.length).fill(0xff);
  for (let byte = 0; byte < mask.length; byte++) {
    for (let bit = 0; bit < 8; bit++) {
      ones[byte] = 0xff ^ (1 << bit);
      const raw = extractRaw(ones, { ...signal, sign: 'unsigned' }) as bigint;
      if (raw !== (1n << BigInt(signal.bitLength)) - 1n) mask[byte] = (mask[byte] as number) & ~(1 << bit);
    }
    ones[byte] = 0xff;
  }
}

/** A stretch in which one frame with the same bytes came back to back, as a sender repeats it that nobody acknowledges. */
export interface Repetition {
  log: FrameLog;
  fromUs: number;
  toUs: number;
  frames: number;
}

const slotUs = 100_000;
const slotsPerSecond = 10;

/** The fullest stretch of a bus. */
export interface WorstLoad {
  bits: number;
  atUs: number;
}

/** Load of one bus over time, by slots of 100 ms. */
export class BusLoad {
  /** Slots in which anything came, by their number since time 0, and the bits of each. */
  private readonly slots = new Column();
  private readonly slotBits = new Column();

  take(timeUs: number, bits: number): void {
    const slot = Math.floor(timeUs / slotUs);
    const last = this.slots.length - 1;
    // A frame that came late by its stamp counts with the newest.
    if (last >= 0 && slot <= this.slots.at(last)) this.slotBits.values[last] = this.slotBits.at(last) + bits;
    else {
      this.slots.push(slot);
      this.slotBits.push(bits);
    }
  }

  /** The bits of all slots, and the fullest 100 ms and second, those left out that `isLeftOut` names. */
  measure(isLeftOut: (fromUs: number, toUs: number) => boolean): { bits: number; worst100Ms: WorstLoad; worstSecond: WorstLoad } {
    let bits = 0;
    let inSecond = 0;
    let oldest = 0;
    const worst100Ms = { bits: 0, atUs: 0 };
    const worstSecond = { bits: 0, atUs: 0 };
    const counted = this.slotBits.values.slice();
    for (let i = 0; i < counted.length; i++) {
      const slot = this.slots.at(i);
      if (isLeftOut(slot * slotUs, (slot + 1) * slotUs)) counted[i] = 0;
      const now = counted[i] as number;
      bits += now;
      inSecond += now;
      for (; this.slots.at(oldest) <= slot - slotsPerSecond; oldest++) inSecond -= counted[oldest] as number;
      if (now > worst100Ms.bits) Object.assign(worst100Ms, { bits: now, atUs: slot * slotUs });
      if (inSecond > worstSecond.bits) Object.assign(worstSecond, { bits: inSecond, atUs: (slot - slotsPerSecond + 1) * slotUs });
    }
    return { bits, worst100Ms, worstSecond };
  }
}

/** What one bus carried. */
export interface BusTraffic {
  index: number;
  load: BusLoad;
  logs: FrameLog[];
  errors: ErrorFrame[];
  /** Error frames beyond those kept in `errors`. */
  errorsTotal: number;
  repetitions: Repetition[];
  frames: number;
}

const errorsKeptMax = 100_000;
const stampStepUsMax = 10_000;
/** A healthy frame never follows itself unchanged at less than this many times its own length on the wire. */
const backToBackLengths = 3;
const repetitionFramesMin = 50;
/** Adapters hand frames on in batches of up to so long, and some stamp them then. */
const batchUsMax = 20_000;

/**
 * Gathers the evidence from frames in time order. Memory grows by some 8 to 24 bytes a frame.
 * Pure: feed it from a recording or from a live bus.
 */
export class TrafficLog {
  readonly vehicle: Vehicle;
  readonly buses: BusTraffic[];
  firstUs = Number.POSITIVE_INFINITY;
  lastUs = Number.NEGATIVE_INFINITY;
  /** Of the first frame on any bus; `firstUs` where none has come. */
  private beganUs: number | undefined;
  /** The coarsest step of 1, 10, ... 10000 us that all frames' times keep: what the recording's time stamps resolve. */
  stampUs = stampStepUsMax;
  frames = 0;
  /** Undefined where no frame tells it. */
  readonly supply: SupplyVoltage | undefined;
  private readonly decoder: Decoder;
  private readonly transport: Transport;
  private readonly logs: Map<number, FrameLog>[];
  private readonly groups: Map<Frame, FrameLog>[];
  private readonly current: (Repetition | undefined)[];

  constructor(vehicle: Vehicle) {
    this.vehicle = vehicle;
    this.decoder = compileDecoder(vehicle);
    this.transport = new Transport(vehicle);
    this.supply = SupplyVoltage.of(vehicle);
    this.logs = vehicle.buses.map(() => new Map());
    this.groups = vehicle.buses.map(() => new Map());
    this.current = vehicle.buses.map(() => undefined);
    this.buses = vehicle.buses.map((bus) => ({
      index: bus.index,
      load: new BusLoad(),
      logs: [],
      errors: [],
      errorsTotal: 0,
      repetitions: [],
      frames: 0,
    }));
  }

  take(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) this.takeFrame(batch, i);
  }

  /** The bus was listened to at this time, whether a frame came or not: a live check begins and goes on without any. */
  listened(timeUs: number): void {
    this.firstUs = Math.min(this.firstUs, timeUs);
    this.lastUs = Math.max(this.lastUs, timeUs);
  }

  private takeFrame(batch: FrameBatch, i: number): void {
    const timeUs = batch.timeUs[i] as number;
    const flags = batch.flags[i] as number;
    const bus = this.buses[batch.bus[i] as number];
    if (!bus) return;
    this.firstUs = Math.min(this.firstUs, timeUs);
    this.lastUs = Math.max(this.lastUs, timeUs);
    const bytes = batch.bytesOf(i);
    const id = batch.id[i] as number;
    if ((flags & frameFlag.error) !== 0) {
      bus.errorsTotal++;
      if (bus.errors.length < errorsKeptMax) bus.errors.push(toErrorFrame(timeUs, id, bytes));
      return;
    }
    this.beganUs ??= timeUs;
    while (this.stampUs > 1 && (timeUs - this.beganUs) % this.stampUs !== 0) this.stampUs /= 10;
    this.frames++;
    bus.frames++;
    const length = batch.length[i] as number;
    const { bitRate, dataBitRate } = this.vehicle.buses[bus.index] as Bus;
    const bits = wireSeconds(id, flags, bytes, length, bitRate, dataBitRate) * bitRate;
    bus.load.take(timeUs, bits);
    const log = this.findLog(bus, id, flags);
    if ((flags & frameFlag.remote) !== 0) {
      log.remote++;
      return;
    }
    this.followRepetition(bus, log, timeUs, bytes, length, bits);
    log.take(timeUs, id, bytes, length, bits);
    if (this.supply && log.definition === this.supply.frame) this.supply.take(timeUs, bytes);
    if (this.transport.isPacket(bus.index, id, flags)) this.takePacket(bus, batch, i);
  }

  /** A J1939 message of several packets is judged like a frame, when it is whole; its time on the wire is that of its packets. */
  private takePacket(bus: BusTraffic, batch: FrameBatch, i: number): void {
    const message = this.transport.take(batch, i);
    if (!message) return;
    const id = message.id[0] as number;
    const log = this.findLog(bus, id, message.flags[0] as number);
    log.take(message.timeUs[0] as number, id, message.bytesOf(0), message.length[0] as number, 0);
  }

  get firstFrameUs(): number {
    return this.beganUs ?? this.firstUs;
  }

  private findLog(bus: BusTraffic, id: number, flags: number): FrameLog {
    const extended = (flags & frameFlag.extended) !== 0;
    const key = extended ? id + 0x100000000 : id;
    const byId = this.logs[bus.index] as Map<number, FrameLog>;
    const known = byId.get(key);
    if (known) return known;
    const definition = this.decoder.findFrame(bus.index, id, flags);
    const byGroup = this.groups[bus.index] as Map<Frame, FrameLog>;
    let log = definition ? byGroup.get(definition) : undefined;
    if (!log) {
      log = new FrameLog(bus.index, id, extended, definition);
      // Packets are no frames that anybody would define: what they carry is.
      if (!this.transport.isPacket(bus.index, id, flags)) bus.logs.push(log);
      if (definition) byGroup.set(definition, log);
    }
    byId.set(key, log);
    return log;
  }

  private followRepetition(bus: BusTraffic, log: FrameLog, timeUs: number, bytes: Uint8Array, length: number, bits: number): void {
    const bitRate = this.vehicle.buses[bus.index]?.bitRate ?? 500_000;
    const closeUs = (backToBackLengths * bits * 1e6) / bitRate;
    const running = this.current[bus.index];
    const same = log.lastLength === length && equalBytes(log.lastBytes, bytes, length);
    // By the mean distance: stamps of whole milliseconds, or of batches, put several frames on one time.
    const isClose =
      running && timeUs - running.toUs <= Math.max(closeUs, batchUsMax) && timeUs - running.fromUs <= closeUs * running.frames;
    if (running && isClose && running.log === log && same) {
      running.toUs = timeUs;
      if (++running.frames === repetitionFramesMin) bus.repetitions.push(running);
      return;
    }
    this.current[bus.index] = { log, fromUs: timeUs, toUs: timeUs, frames: 1 };
  }

  /** The definition's log, when any such frame was seen. */
  findDefinitionLog(frame: Frame): FrameLog | undefined {
    return this.groups[frame.bus]?.get(frame);
  }
}

function equalBytes(a: Uint8Array, b: Uint8Array, length: number): boolean {
  for (let i = 0; i < length; i++) if (a[i] !== b[i]) return false;
  return true;
}

/** Id in hex as the definition files write it, with the parameter group of a 29-bit one. */
export function idText(id: number, extended: boolean): string {
  const hex = `0x${id
    .toString(16)
    .toUpperCase()
    .padStart(extended ? 8 : 3, '0')}`;
  return extended ? `${hex} (29-bit, as J1939 group 0x${pgnOf(id).toString(16).toUpperCase()} from address ${id & 0xff})` : hex;
}
