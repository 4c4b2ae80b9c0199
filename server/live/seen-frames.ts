// Every id seen on the buses, defined or not: count, period, last bytes and which bits ever changed. Bounded; what doesn't fit is counted.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { extractRaw } from '../codec/bits.ts';
import type { Transport } from '../codec/transport.ts';
import type { Frame } from '../definitions/vehicle.ts';
import { liveIdsMax, muxPagesMax } from '../limits.ts';

/** Frames kept of each id, so that a value of the last instant finds the bytes it came from. Power of two. */
const keptFrames = 16;

/** Finds the definition of an id; the decoder's own look-up. */
export type FindFrame = (bus: number, id: number, flags: number) => Frame | undefined;

/** Bytes of one frame. */
export interface KeptFrame {
  timeUs: number;
  bytes: Uint8Array;
  id: number;
}

export class SeenId {
  readonly bus: number;
  readonly id: number;
  readonly flags: number;
  /** Undefined: nothing defines it. */
  frame: Frame | undefined;
  /** A packet of J1939 messages, which are listed themselves. */
  isPacket = false;
  count = 0;
  shortCount = 0;
  longCount = 0;
  length = 0;
  lastTimeUs = 0;
  /** Bits that ever differed between two neighbours, byte by byte. */
  changed = new Uint8Array(8);
  private readonly times = new Float64Array(keptFrames);
  private readonly lengths = new Uint16Array(keptFrames);
  private kept = new Uint8Array(keptFrames * 8);
  private stride = 8;
  private selectors: Frame['signals'] = [];
  /** Of a multiplexed frame: the last frame of each page, by the raw values that select it. */
  private readonly pages = new Map<string, KeptFrame>();

  constructor(bus: number, id: number, flags: number, frame: Frame | undefined) {
    this.bus = bus;
    this.id = id;
    this.flags = flags;
    this.define(frame);
  }

  /** Another definition set: what is counted against the definition begins anew. */
  define(frame: Frame | undefined): void {
    this.frame = frame;
    const names = new Set(frame?.signals.flatMap((signal) => signal.when.map((when) => when.signal)));
    this.selectors = frame?.signals.filter((signal) => names.has(signal.name)) ?? [];
    this.pages.clear();
    this.shortCount = 0;
    this.longCount = 0;
  }

  take(batch: FrameBatch, i: number): void {
    const length = (this.flags & frameFlag.remote) !== 0 ? 0 : (batch.length[i] as number);
    if (length > this.stride) this.widen(Math.ceil(length / 64) * 64);
    const from = batch.offset[i] as number;
    const slot = this.count & (keptFrames - 1);
    const at = slot * this.stride;
    const before = ((this.count - 1) & (keptFrames - 1)) * this.stride;
    for (let k = 0; k < length; k++) {
      const byte = batch.data[from + k] as number;
      if (this.count > 0 && k < this.length) this.changed[k] = (this.changed[k] as number) | (byte ^ (this.kept[before + k] as number));
      this.kept[at + k] = byte;
    }
    this.times[slot] = batch.timeUs[i] as number;
    this.lengths[slot] = length;
    this.length = batch.length[i] as number;
    this.lastTimeUs = batch.timeUs[i] as number;
    this.count++;
    const { frame } = this;
    if (frame && length < frame.lengthBytes) this.shortCount++;
    if (frame && length > frame.lengthBytes) this.longCount++;
    if (this.selectors.length > 0) this.keepPage(slot);
  }

  /** Last bytes; empty for a remote frame. */
  get bytes(): Uint8Array {
    return this.count === 0 ? new Uint8Array(0) : this.keptAt((this.count - 1) & (keptFrames - 1)).bytes;
  }

  /** Mean, least and greatest gap of the kept frames, microseconds; undefined with fewer than two. */
  period(): { meanUs: number; leastUs: number; greatestUs: number } | undefined {
    const held = Math.min(this.count, keptFrames);
    if (held < 2) return undefined;
    let leastUs = Number.POSITIVE_INFINITY;
    let greatestUs = 0;
    for (let k = 1; k < held; k++) {
      const gapUs = this.timeAgo(k - 1) - this.timeAgo(k);
      leastUs = Math.min(leastUs, gapUs);
      greatestUs = Math.max(greatestUs, gapUs);
    }
    return { meanUs: (this.timeAgo(0) - this.timeAgo(held - 1)) / (held - 1), leastUs, greatestUs };
  }

  /** The kept frame of this time; of a multiplexed one also the last of each page. */
  findFrame(timeUs: number): KeptFrame | undefined {
    for (let k = 0; k < Math.min(this.count, keptFrames); k++) {
      if (this.timeAgo(k) === timeUs) return this.keptAt((this.count - 1 - k) & (keptFrames - 1));
    }
    for (const page of this.pages.values()) if (page.timeUs === timeUs) return page;
    return undefined;
  }

  private timeAgo(k: number): number {
    return this.times[(this.count - 1 - k) & (keptFrames - 1)] as number;
  }

  private keptAt(slot: number): KeptFrame {
    const at = slot * this.stride;
    return { timeUs: this.times[slot] as number, bytes: this.kept.slice(at, at + (this.lengths[slot] as number)), id: this.id };
  }

  private keepPage(slot: number): void {
    const kept = this.keptAt(slot);
    const page = this.selectors.map((selector) => extractRaw(kept.bytes, selector)).join();
    if (this.pages.has(page) || this.pages.size < muxPagesMax) this.pages.set(page, kept);
  }

  /** A longer frame than any before: more room for each. */
  private widen(stride: number): void {
    const wide = new Uint8Array(keptFrames * stride);
    for (let slot = 0; slot < keptFrames; slot++) wide.set(this.kept.subarray(slot * this.stride, (slot + 1) * this.stride), slot * stride);
    this.kept = wide;
    this.stride = stride;
    const changed = new Uint8Array(stride);
    changed.set(this.changed);
    this.changed = changed;
  }
}

/** Error frames of one class on one bus. */
export interface SeenError {
  bus: number;
  /** Class bits of linux/can/error.h. */
  kind: number;
  count: number;
  lastTimeUs: number;
}

export class SeenFrames {
  /** Frames of ids beyond the bound. */
  notListed = 0;
  private findFrame: FindFrame;
  private transport: Transport | undefined;
  private readonly buses: Map<number, SeenId>[] = [];
  private readonly errorsByKey = new Map<number, SeenError>();
  private ids = 0;

  /** @param transport Puts J1939 messages together, for this list alone. Without one they are taken to come whole, or not at all. */
  constructor(findFrame: FindFrame, transport?: Transport) {
    this.findFrame = findFrame;
    this.transport = transport;
  }

  take(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) {
      const flags = batch.flags[i] as number;
      if (flags & frameFlag.error) this.takeError(batch, i);
      else this.takeFrame(batch, i, flags);
    }
  }

  private takeFrame(batch: FrameBatch, i: number, flags: number): void {
    const seen = this.idOf(batch.bus[i] as number, batch.id[i] as number, flags);
    seen?.take(batch, i);
    const message = seen?.isPacket ? this.transport?.take(batch, i) : undefined;
    if (message) this.idOf(message.bus[0] as number, message.id[0] as number, message.flags[0] as number)?.take(message, 0);
  }

  /** Another definition set is in force: what was seen stays, and is looked up anew. */
  define(findFrame: FindFrame, transport?: Transport): void {
    this.findFrame = findFrame;
    this.transport = transport;
    for (const seen of this.list()) {
      seen.define(this.definitionOf(seen.bus, seen.id, seen.flags));
      seen.isPacket = transport?.isPacket(seen.bus, seen.id, seen.flags) === true;
    }
  }

  /** Frames that no definition names, and frames shorter than theirs, of one bus. */
  counts(bus: number): { unknown: number; short: number } {
    let unknown = 0;
    let short = 0;
    for (const seen of this.buses[bus]?.values() ?? []) {
      if (!seen.frame && !seen.isPacket && !(seen.flags & frameFlag.remote)) unknown += seen.count;
      short += seen.shortCount;
    }
    return { unknown, short };
  }

  /** All ids, by bus and id. */
  list(): SeenId[] {
    const all = this.buses.flatMap((bus) => (bus ? [...bus.values()] : []));
    return all.sort((a, b) => a.bus - b.bus || a.id - b.id || a.flags - b.flags);
  }

  errors(): SeenError[] {
    return [...this.errorsByKey.values()];
  }

  /** The frame that gave a signal's sample of this time. */
  findBytes(frame: Frame, timeUs: number): KeptFrame | undefined {
    for (const seen of this.buses[frame.bus]?.values() ?? []) {
      const kept = seen.frame === frame ? seen.findFrame(timeUs) : undefined;
      if (kept) return kept;
    }
    return undefined;
  }

  private idOf(bus: number, id: number, flags: number): SeenId | undefined {
    this.buses[bus] ??= new Map();
    const ids = this.buses[bus];
    // A small integer: 29 bits of id, extended, remote, FD.
    const key = id | ((flags & (frameFlag.extended | frameFlag.remote)) << 29) | ((flags & frameFlag.fd) << 28);
    const known = ids.get(key);
    if (known) return known;
    if (this.ids >= liveIdsMax) {
      this.notListed++;
      return undefined;
    }
    this.ids++;
    const seen = new SeenId(bus, id, flags, this.definitionOf(bus, id, flags));
    seen.isPacket = this.transport?.isPacket(bus, id, flags) === true;
    ids.set(key, seen);
    return seen;
  }

  private definitionOf(bus: number, id: number, flags: number): Frame | undefined {
    return flags & frameFlag.remote ? undefined : this.findFrame(bus, id, flags);
  }

  private takeError(batch: FrameBatch, i: number): void {
    const bus = batch.bus[i] as number;
    const kind = batch.id[i] as number;
    const key = bus * 2 ** 32 + kind;
    let seen = this.errorsByKey.get(key);
    if (!seen) {
      if (this.errorsByKey.size >= liveIdsMax) return;
      seen = { bus, kind, count: 0, lastTimeUs: 0 };
      this.errorsByKey.set(key, seen);
    }
    seen.count++;
    seen.lastTimeUs = batch.timeUs[i] as number;
  }
}
