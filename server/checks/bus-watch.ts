// Watches a live bus for anything that a moving harness shakes loose: late frames, steps of a counter, error frames, spikes. Pure.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { hasValue } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import { extractRaw } from '../codec/bits.ts';
import { compileDecoder, type Decoder } from '../codec/decoder.ts';
import { Transport } from '../codec/transport.ts';
import type { Frame, Signal, Vehicle } from '../definitions/vehicle.ts';
import { listCuts } from './trunk-break.ts';

/** Something that happened on the bus. */
export interface WatchEvent {
  timeUs: number;
  kind: 'gap' | 'back' | 'error' | 'counter' | 'spike';
  bus: string;
  device?: string;
  channel?: string;
  /** The stretch of the trunk that explains which devices are silent, where one does. */
  stretch?: string;
  say: string;
}

/**
 * So long after it was due a frame is missing: most of a period of a quick one, at most 35 ms of one that comes six times a second, and a
 * seventh of the period of a slow one, whose sender may be as late as that. Common practice, no source.
 */
function lateUs(periodUs: number): number {
  return 10_000 + Math.min(0.7 * periodUs, Math.max(25_000, 0.15 * periodUs));
}

/** Error frames of one bus closer than this are one event. */
const errorApartUs = 250_000;
/** A step of more than this share of the declared span from one sample to the next is a spike. Common practice, no source. */
const spikeShare = 0.08;

/** What is known of one periodic frame. */
interface Watched {
  frame: Frame;
  periodUs: number;
  lastUs: number;
  late: boolean;
  counter: Signal | undefined;
  counted: number;
}

interface Spiking {
  name: string;
  bus: string;
  span: number;
  last: number | undefined;
  bad: boolean;
}

/**
 * Frames, samples and the passing of time go in; events come out in order. Only frames that have been heard once are watched, so that a
 * device that is off from the beginning is `absent` and no event.
 */
export class BusWatch {
  private readonly vehicle: Vehicle;
  private readonly decoder: Decoder;
  private readonly transport: Transport;
  private readonly watched = new Map<Frame, Watched>();
  private readonly spiking = new Map<number, Spiking>();
  private readonly errorUs: number[];
  private readonly told: (event: WatchEvent) => void;
  private timeUs = 0;
  /** Earliest time at which a frame that is on time becomes late. */
  private dueUs = Number.POSITIVE_INFINITY;

  /** @param channels Indices and names of the channels watched for spikes. */
  constructor(vehicle: Vehicle, told: (event: WatchEvent) => void, channels: readonly { index: number; name: string }[] = []) {
    this.vehicle = vehicle;
    this.decoder = compileDecoder(vehicle);
    this.transport = new Transport(vehicle);
    this.told = told;
    this.errorUs = vehicle.buses.map(() => Number.NEGATIVE_INFINITY);
    for (const { index, name } of channels) this.spiking.set(index, toSpiking(vehicle, name));
  }

  take(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) {
      const timeUs = batch.timeUs[i] as number;
      this.pass(timeUs);
      this.takeFrame(batch, i, timeUs);
    }
  }

  /** Samples of the watched channels. */
  takeSamples(batch: SampleBatch): void {
    for (let i = 0; i < batch.count; i++) {
      const spiking = this.spiking.get(batch.channel[i] as number);
      if (spiking) this.takeSample(spiking, batch.timeUs[i] as number, batch.value[i] as number, batch.quality[i] as number);
    }
  }

  /** Time has gone on: frames that should have come by now are late. */
  pass(timeUs: number): void {
    if (timeUs > this.timeUs) this.timeUs = timeUs;
    if (this.timeUs < this.dueUs) return;
    const late = [...this.watched.values()].filter((one) => !one.late && this.timeUs >= lateAt(one));
    for (const one of late) one.late = true;
    this.findDue();
    for (const device of new Set(late.map(({ frame }) => frame.device))) {
      this.tellGap(
        device,
        late.filter(({ frame }) => frame.device === device),
      );
    }
  }

  /** Devices heard before of which every periodic frame is late now. */
  silentDevices(): string[] {
    return this.devicesWhere((frames) => frames.every(({ late }) => late));
  }

  /** Devices heard before of which some frame is late, but not all. */
  limpingDevices(): string[] {
    return this.devicesWhere((frames) => frames.some(({ late }) => late) && !frames.every(({ late }) => late));
  }

  /** Devices with periodic frames of which none was ever heard. */
  absentDevices(): string[] {
    return this.vehicle.buses
      .flatMap((bus) => bus.devices)
      .filter((device) => device.frames.some(({ periodUs }) => periodUs !== undefined))
      .filter((device) => !device.frames.some((frame) => this.watched.has(frame)))
      .map(({ name }) => name);
  }

  private devicesWhere(holds: (frames: Watched[]) => boolean): string[] {
    const byDevice = new Map<string, Watched[]>();
    for (const one of this.watched.values()) byDevice.set(one.frame.device, [...(byDevice.get(one.frame.device) ?? []), one]);
    return [...byDevice].flatMap(([device, frames]) => (holds(frames) ? [device] : []));
  }

  private takeFrame(batch: FrameBatch, i: number, timeUs: number): void {
    const flags = batch.flags[i] as number;
    const bus = batch.bus[i] as number;
    if ((flags & frameFlag.error) !== 0) {
      this.tellError(bus, timeUs);
      return;
    }
    if (this.transport.isPacket(bus, batch.id[i] as number, flags)) {
      const message = this.transport.take(batch, i);
      if (message) this.takeFrame(message, 0, timeUs);
      return;
    }
    const frame = this.decoder.findFrame(bus, batch.id[i] as number, flags);
    if (frame?.periodUs === undefined || (flags & frameFlag.remote) !== 0) return;
    let one = this.watched.get(frame);
    if (!one) {
      const counter = frame.signals.find(({ name }) => name === frame.counter);
      one = { frame, periodUs: frame.periodUs, lastUs: timeUs, late: false, counter, counted: -1 };
      this.watched.set(frame, one);
    }
    const wasLate = one.late;
    one.late = false;
    one.lastUs = timeUs;
    this.dueUs = Math.min(this.dueUs, lateAt(one));
    if (one.counter) this.followCounter(one, one.counter, batch.bytesOf(i), timeUs, wasLate);
    if (wasLate && !this.stillLate(frame.device)) {
      this.told({ timeUs, kind: 'back', bus: this.busOf(frame), device: frame.device, say: `${frame.device} is back` });
    }
  }

  private stillLate(device: string): boolean {
    return [...this.watched.values()].some(({ frame, late }) => late && frame.device === device);
  }

  /** A counter that skips without a late frame lost frames between two that came on time. */
  private followCounter(one: Watched, counter: Signal, bytes: Uint8Array, timeUs: number, wasLate: boolean): void {
    const raw = extractRaw(bytes, counter);
    if (raw === undefined) return;
    const now = Number(raw);
    const expected = (one.counted + 1) % 2 ** counter.bitLength;
    const stepped = one.counted >= 0 && now !== expected && !wasLate;
    const before = one.counted;
    one.counted = now;
    if (!stepped) return;
    const { frame } = one;
    const say = `the counter of ${frame.name} went from ${before} to ${now}`;
    this.told({ timeUs, kind: 'counter', bus: this.busOf(frame), device: frame.device, say });
  }

  private tellGap(device: string, late: readonly Watched[]): void {
    const [first] = late;
    if (!first) return;
    const bus = this.busOf(first.frame);
    const gapMs = Math.round((this.timeUs - Math.min(...late.map(({ lastUs }) => lastUs))) / 1000);
    const what = late.length === 1 ? first.frame.name : `${late.length} frames of ${device}`;
    const stretch = this.stretchOf(first.frame.bus);
    this.told({ timeUs: this.timeUs, kind: 'gap', bus, device, ...(stretch ? { stretch } : {}), say: `${what} missing for ${gapMs} ms` });
  }

  private tellError(bus: number, timeUs: number): void {
    const apart = timeUs - (this.errorUs[bus] ?? Number.NEGATIVE_INFINITY);
    this.errorUs[bus] = timeUs;
    if (apart < errorApartUs) return;
    const name = this.vehicle.buses[bus]?.name ?? '';
    this.told({ timeUs, kind: 'error', bus: name, say: `error frame on bus ${name}` });
  }

  /** The only stretch of the trunk behind which exactly the silent devices lie. */
  private stretchOf(bus: number): string | undefined {
    const trunk = this.vehicle.buses[bus]?.trunk;
    if (!trunk) return undefined;
    const silent = new Set(this.silentDevices());
    const absent = new Set(this.absentDevices());
    const fits = listCuts(trunk).filter(({ beyond }) => {
      const gone = [...beyond].filter((name) => !absent.has(name));
      const here = trunk.filter(({ kind, name }) => kind === 'device' && silent.has(name));
      return gone.length > 0 && gone.length === here.length && gone.every((name) => silent.has(name));
    });
    return fits.length === 1 ? fits[0]?.stretch : undefined;
  }

  private takeSample(spiking: Spiking, timeUs: number, value: number, quality: number): void {
    const { name, bus, last, bad } = spiking;
    const good = hasValue(quality);
    if (!good && !bad && last !== undefined) {
      this.told({ timeUs, kind: 'spike', bus, channel: name, say: `${name} has no good value` });
    }
    if (good && last !== undefined && !bad && Math.abs(value - last) > spikeShare * spiking.span) {
      this.told({ timeUs, kind: 'spike', bus, channel: name, say: `${name} jumped from ${shortly(last)} to ${shortly(value)}` });
    }
    spiking.bad = !good;
    if (good) spiking.last = value;
  }

  private findDue(): void {
    let dueUs = Number.POSITIVE_INFINITY;
    for (const one of this.watched.values()) if (!one.late) dueUs = Math.min(dueUs, lateAt(one));
    this.dueUs = dueUs;
  }

  private busOf(frame: Frame): string {
    return this.vehicle.buses[frame.bus]?.name ?? '';
  }
}

function lateAt({ lastUs, periodUs }: Watched): number {
  return lastUs + periodUs + lateUs(periodUs);
}

function shortly(value: number): string {
  return String(Number(value.toPrecision(4)));
}

/** A channel without a declared span is watched for bad values alone. */
function toSpiking(vehicle: Vehicle, name: string): Spiking {
  for (const bus of vehicle.buses) {
    const signal = bus.frames.flatMap((frame) => frame.signals).find((one) => one.name === name);
    if (!signal) continue;
    const span = signal.min !== undefined && signal.max !== undefined ? signal.max - signal.min : Number.POSITIVE_INFINITY;
    return { name, bus: bus.name, span, last: undefined, bad: false };
  }
  return { name, bus: '', span: Number.POSITIVE_INFINITY, last: undefined, bad: false };
}
