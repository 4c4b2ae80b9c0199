// The compiled decoder: frames in, samples with their quality out, and everything that gave no sample counted.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Frame, Vehicle } from '../definitions/vehicle.ts';
import { unknownIdsMax } from '../limits.ts';
import { IdTable, idKey } from './id-table.ts';
import { compileLayout, type LayoutReader, type SampleCounter } from './layout-code.ts';
import { MessageDecoder } from './message-decoder.ts';
import { Transport } from './transport.ts';

/** An id that no definition names, on one bus. */
export interface UnknownId {
  bus: number;
  id: number;
  extended: boolean;
  fd: boolean;
  frames: number;
}

/** What became of the frames so far. Columns have an element a frame definition, in the order of `Decoder.frames`. */
export interface DecodeCounts {
  /** Gave samples; longer ones included. */
  readonly decoded: Float64Array;
  /** Shorter than the definition says: no samples. */
  readonly tooShort: Float64Array;
  /** Longer than the definition says: decoded, and counted here too. */
  readonly longer: Float64Array;
  /** Remote frames with the definition's id. */
  readonly remote: Float64Array;
  /** Last source address of 29-bit frames, −1 before the first. */
  readonly lastSource: Int16Array;
  /** Ids that no definition names, most frequent first; beyond a bound new ones are counted in `total.unknown` only. */
  unknownIds(): UnknownId[];
  /** Over all buses: every frame given, and remote, error and unknown ones among them. */
  readonly total: { frames: number; decoded: number; tooShort: number; longer: number; remote: number; error: number; unknown: number };
}

/** A decoder of one definition set. Holds no time and no values, only counts. */
export interface Decoder {
  /** All frame definitions, in the order of buses and frames. */
  readonly frames: readonly Frame[];
  readonly counts: DecodeCounts;
  /**
   * Appends the samples of frames `from` up to, not including, `to`, in the frames' order and within a frame in that of its signals.
   * Error and remote frames, unknown ids and frames that are too short give none and are counted.
   */
  decode(frames: FrameBatch, from: number, to: number, out: SampleBatch): void;
  /** The definition that a frame of this bus, id and flags (`frameFlag`) belongs to; undefined when none. Counts nothing. */
  findFrame(bus: number, id: number, flags: number): Frame | undefined;
  /** J1939 messages of several packets, the one thing that later samples depend on; undefined where no bus speaks J1939. */
  readonly transport: Transport | undefined;
}

/** Compiles all layouts of a vehicle. */
export function compileDecoder(vehicle: Vehicle): Decoder {
  const transport = new Transport(vehicle);
  const single = new CompiledDecoder(vehicle);
  return transport.isNeeded ? new MessageDecoder(single, transport) : single;
}

/**
 * Parameter group number of a J1939 id: priority and source address dropped, and the destination too where the format byte (PF) is
 * below 240.
 *
 *     bit 28  26   25  24   23      16  15      8  7       0
 *        priority EDP  DP   PF          PS         source address
 *
 * Worked: 0x0CF00400 → 0xF004, 0x18EAFF00 → 0xEA00. Source: SAE J1939-21 as quoted by Linux Documentation/networking/j1939.rst.
 */
export function pgnOf(id: number): number {
  const pgn = (id >>> 8) & 0x3ffff;
  return (pgn & 0xff00) < 0xf000 ? pgn & 0x3ff00 : pgn;
}

/** Frames decoded at a time: enough that each layout has many, few enough that their samples stay in the processor's cache. */
const stretchFramesPerLayout = 24;
const stretchFramesMin = 256;
const stretchFramesMax = 4096;
const noDataFlags = frameFlag.remote | frameFlag.error;

class CompiledDecoder implements Decoder {
  readonly frames: readonly Frame[];
  readonly counts: DecodeCounts;
  readonly transport = undefined;
  private readonly readers: LayoutReader[];
  private readonly lengths: Uint16Array;
  /** Samples of a frame by definition, −1 where its bytes decide; then a counter stands in `counters`. */
  private readonly samplesOf: Int32Array;
  private readonly stretchFrames: number;
  private readonly counters: (SampleCounter | undefined)[];
  /** Frames of the stretch at hand, chained by definition: newest of each, −1 for none, and from each to the one before. */
  private readonly head: Int32Array;
  private readonly next = new Int32Array(stretchFramesMax);
  private readonly start = new Int32Array(stretchFramesMax);
  /** The definitions that have a chain, the first `chains` of them. */
  private readonly touched: Int32Array;
  private chains = 0;
  private readonly ids = new IdTable();
  /** J1939 groups: (bus, group) → page; then the page's definition for each source address, −1 for none. */
  private readonly groups = new IdTable();
  private readonly bySource: Int32Array;
  private readonly unknown = new IdTable();
  private readonly unknownList: UnknownId[] = [];

  constructor(vehicle: Vehicle) {
    const frames = vehicle.buses.flatMap((bus) => bus.frames);
    this.frames = frames;
    const layouts = frames.map(compileLayout);
    this.readers = layouts.map(({ read }) => read);
    this.counters = layouts.map(({ samples }) => (typeof samples === 'number' ? undefined : samples));
    this.stretchFrames = Math.min(stretchFramesMax, Math.max(stretchFramesMin, frames.length * stretchFramesPerLayout));
    this.samplesOf = Int32Array.from(layouts, ({ samples }) => (typeof samples === 'number' ? samples : -1));
    this.head = new Int32Array(frames.length).fill(-1);
    this.touched = new Int32Array(frames.length);
    this.lengths = Uint16Array.from(frames, (frame) => frame.lengthBytes);
    this.bySource = this.enterFrames();
    this.counts = emptyCounts(frames.length, this.unknownList);
  }

  decode(frames: FrameBatch, from: number, to: number, out: SampleBatch): void {
    this.counts.total.frames += to - from;
    for (let at = from; at < to; at += this.stretchFrames) {
      const first = out.count;
      const end = this.chainFrames(frames, at, Math.min(to, at + this.stretchFrames), first);
      out.reserve(end - first);
      out.quality.fill(0, first, end);
      this.readChains(frames, at, out);
      out.count = end;
    }
  }

  /** Chains frames that can be decoded by their layout, counts the others; returns where the samples, from `first` on, will end. */
  private chainFrames(frames: FrameBatch, from: number, to: number, first: number): number {
    const { lengths, samplesOf, head, next, start, touched } = this;
    const { bus, id, flags, length } = frames;
    let chains = 0;
    let n = first;
    for (let i = from; i < to; i++) {
      const flag = flags[i] as number;
      const known = (flag & noDataFlags) === 0 ? this.find(bus[i] as number, id[i] as number, flag) : -2;
      if (known < 0) {
        this.countWithoutData(known, bus[i] as number, id[i] as number, flag);
        continue;
      }
      const bytes = length[i] as number;
      const expected = lengths[known] as number;
      if (bytes !== expected && !this.countLength(known, bytes, expected)) continue;
      const before = head[known] as number;
      if (before < 0) touched[chains++] = known;
      const j = i - from;
      next[j] = before;
      head[known] = j;
      start[j] = n;
      const samples = samplesOf[known] as number;
      n += samples >= 0 ? samples : this.countSamples(known, frames, i);
    }
    this.chains = chains;
    return n;
  }

  private countSamples(known: number, frames: FrameBatch, i: number): number {
    return (this.counters[known] as SampleCounter)(frames.view, frames.offset[i] as number);
  }

  /** Reads what `chainFrames` chained, layout by layout, and forgets the chains. */
  private readChains(frames: FrameBatch, from: number, out: SampleBatch): void {
    const { readers, head, next, start, touched } = this;
    const { decoded, lastSource, total } = this.counts;
    const { view, offset, timeUs, id, flags } = frames;
    for (let k = 0; k < this.chains; k++) {
      const known = touched[k] as number;
      const read = readers[known] as LayoutReader;
      const newest = head[known] as number;
      const count = read(newest, from, next, start, view, offset, timeUs, out.channel, out.timeUs, out.value, out.quality);
      decoded[known] = (decoded[known] as number) + count;
      total.decoded += count;
      if (((flags[from + newest] as number) & frameFlag.extended) !== 0) lastSource[known] = (id[from + newest] as number) & 0xff;
      head[known] = -1;
    }
    this.chains = 0;
  }

  findFrame(bus: number, id: number, flags: number): Frame | undefined {
    return (flags & frameFlag.error) !== 0 ? undefined : this.frames[this.find(bus, id, flags)];
  }

  /** Index of the definition, or −1. An exact id goes before a parameter group. */
  private find(bus: number, id: number, flags: number): number {
    const exact = this.ids.find(bus, idKey(id, flags));
    if (exact >= 0 || (flags & frameFlag.extended) === 0 || this.groups.size === 0) return exact;
    const page = this.groups.find(bus, idKey(pgnOf(id), flags));
    return page < 0 ? -1 : (this.bySource[page * 256 + (id & 0xff)] as number);
  }

  /** Counts a frame whose length differs from the definition's; true when it can be decoded all the same. */
  private countLength(known: number, bytes: number, expected: number): boolean {
    const { tooShort, longer, total } = this.counts;
    const long = bytes > expected;
    const column = long ? longer : tooShort;
    column[known] = (column[known] as number) + 1;
    if (long) total.longer++;
    else total.tooShort++;
    return long;
  }

  private countWithoutData(known: number, bus: number, id: number, flags: number): void {
    const { total, remote } = this.counts;
    if ((flags & frameFlag.error) !== 0) total.error++;
    else if ((flags & frameFlag.remote) !== 0) {
      total.remote++;
      const asked = this.find(bus, id, flags);
      if (asked >= 0) remote[asked] = (remote[asked] as number) + 1;
    } else if (known === -1) this.countUnknown(bus, id, flags);
  }

  private countUnknown(bus: number, id: number, flags: number): void {
    this.counts.total.unknown++;
    const key = idKey(id, flags);
    const seen = this.unknown.find(bus, key);
    if (seen >= 0) (this.unknownList[seen] as UnknownId).frames++;
    else if (this.unknownList.length < unknownIdsMax) {
      this.unknown.insert(bus, key, this.unknownList.length);
      const extended = (flags & frameFlag.extended) !== 0;
      this.unknownList.push({ bus, id, extended, fd: (flags & frameFlag.fd) !== 0, frames: 1 });
    }
  }

  /** Fills the id tables; the first definition of an id wins, and a group's narrower source filter goes before an open one. */
  private enterFrames(): Int32Array {
    const pages: Int32Array[] = [];
    for (const [index, frame] of this.frames.entries()) {
      if (frame.id === undefined) continue;
      const key = idKey(frame.id, flagsOf(frame));
      if (this.ids.find(frame.bus, key) < 0) this.ids.insert(frame.bus, key, index);
    }
    const grouped = [...this.frames.entries()].filter(([, frame]) => frame.id === undefined);
    grouped.sort(([, a], [, b]) => Number(a.sourceAddresses === undefined) - Number(b.sourceAddresses === undefined));
    for (const [index, frame] of grouped) {
      const key = idKey(frame.pgn ?? 0, flagsOf(frame));
      let page = this.groups.find(frame.bus, key);
      if (page < 0) {
        page = pages.push(new Int32Array(256).fill(-1)) - 1;
        this.groups.insert(frame.bus, key, page);
      }
      fillSources(pages[page] as Int32Array, frame, index);
    }
    const bySource = new Int32Array(pages.length * 256);
    for (const [page, column] of pages.entries()) bySource.set(column, page * 256);
    return bySource;
  }
}

function flagsOf(frame: Frame): number {
  return (frame.extended || frame.pgn !== undefined ? frameFlag.extended : 0) | (frame.fd ? frameFlag.fd : 0);
}

function fillSources(bySource: Int32Array, frame: Frame, index: number): void {
  for (const { from, to } of frame.sourceAddresses ?? [{ from: 0, to: 255 }]) {
    for (let address = from; address <= to; address++) if (bySource[address] === -1) bySource[address] = index;
  }
}

function emptyCounts(frames: number, unknown: readonly UnknownId[]): DecodeCounts {
  return {
    decoded: new Float64Array(frames),
    tooShort: new Float64Array(frames),
    longer: new Float64Array(frames),
    remote: new Float64Array(frames),
    lastSource: new Int16Array(frames).fill(-1),
    unknownIds: () => [...unknown].sort((a, b) => b.frames - a.frames),
    total: { frames: 0, decoded: 0, tooShort: 0, longer: 0, remote: 0, error: 0, unknown: 0 },
  };
}
