// The compiled decoder: frames in, samples with their quality out, and everything that gave no sample counted.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Frame, Vehicle } from '../definitions/vehicle.ts';
import { unknownIdsMax } from '../limits.ts';
import { type ChainColumns, type Chainer, makeChainer, noDataFlags } from './chain-code.ts';
import { hashFactor, IdTable, idKey } from './id-table.ts';
import { compilePlainReader, type PlainReader } from './layout-code.ts';
import { MessageDecoder } from './message-decoder.ts';
import { SignalTable } from './signal-table.ts';
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
   *
   * @param starts Takes, at the index of each frame, the place in `out` where its samples begin.
   */
  decode(frames: FrameBatch, from: number, to: number, out: SampleBatch, starts?: Int32Array): void;
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

/** Of a processor's cache line; only speed depends on it. */
const lineBytes = 64;
/** Places in the table of ids that have been met: at most a sixteenth full, so that few share one. */
const placesPerFrame = 16;
/** Room for ids there: one parameter group may come from several sources. */
const metIdsPerFrame = 2;
/** Frames decoded at a time: enough that each layout has many, few enough that their samples stay in the processor's cache. */
const stretchFramesPerLayout = 48;
const stretchFramesMin = 256;
const stretchFramesMax = 4096;

class CompiledDecoder implements Decoder {
  readonly frames: readonly Frame[];
  readonly counts: DecodeCounts;
  readonly transport = undefined;
  private readonly table: SignalTable;
  private readonly plainReaders: (PlainReader | undefined)[];
  private readonly lengths: Uint16Array;
  /** Samples of a frame by definition, −1 where its bytes decide. */
  private readonly samplesOf: Int32Array;
  private readonly stretchFrames: number;
  /** Frames of the stretch at hand, chained by definition; the first `chains` of `touched` have a chain. */
  private readonly columns: ChainColumns;
  private readonly chainMet: Chainer;
  private chains = 0;
  private metEnd = 4;
  /** What reading ahead gave: it must go somewhere to be done. */
  protected fetched = 0;
  private readonly ids = new IdTable();
  /** J1939 groups: (bus, group) → page; then the page's definition for each source address, −1 for none. */
  private readonly groups = new IdTable();
  private readonly bySource: Int32Array;
  private readonly unknown = new IdTable();
  private readonly unknownList: UnknownId[] = [];

  constructor(vehicle: Vehicle) {
    const frames = vehicle.buses.flatMap((bus) => bus.frames);
    this.frames = frames;
    this.columns = emptyColumns(frames.length);
    this.chainMet = makeChainer(this.columns);
    this.table = new SignalTable(frames);
    this.plainReaders = frames.map((frame) => compilePlainReader(frame, this.columns.links));
    this.stretchFrames = Math.min(stretchFramesMax, Math.max(stretchFramesMin, frames.length * stretchFramesPerLayout));
    this.samplesOf = Int32Array.from(frames, (_, k) => this.table.samplesOf(k) ?? -1);
    this.lengths = Uint16Array.from(frames, (frame) => frame.lengthBytes);
    this.bySource = this.enterFrames();
    this.counts = emptyCounts(frames.length, this.unknownList);
  }

  decode(frames: FrameBatch, from: number, to: number, out: SampleBatch, starts?: Int32Array): void {
    const { links } = this.columns;
    this.counts.total.frames += to - from;
    for (let at = from; at < to; at += this.stretchFrames) {
      const first = out.count;
      const last = Math.min(to, at + this.stretchFrames);
      this.fetched = fetchAhead(frames, at, last);
      const end = this.chainFrames(frames, at, last, first);
      out.reserve(end - first);
      out.quality.fill(0, first, end);
      this.readChains(frames, at, out);
      out.count = end;
      if (starts) for (let i = at, j = 1; i < last; i++, j += 2) starts[i] = links[j] as number;
    }
  }

  /** Chains frames that can be decoded by their layout, counts the others; returns where the samples, from `first` on, will end. */
  private chainFrames(frames: FrameBatch, from: number, to: number, first: number): number {
    const { bus, id, flags, length } = frames;
    const { chainMet } = this;
    const { ends } = this.columns;
    this.chains = 0;
    let n = first;
    for (let i = from; i < to; i++) {
      i = chainMet(bus, id, flags, length, from, i, to, n, this.chains);
      n = ends[0] as number;
      this.chains = ends[1] as number;
      if (i < to) n += this.chainOther(frames, from, i, n);
    }
    return n;
  }

  /** Chains one frame whose id hasn't been met, or that needs a second look; returns how many samples it will give. */
  private chainOther(frames: FrameBatch, from: number, i: number, n: number): number {
    const [bus, id, flag, bytes] = [frames.bus[i] as number, frames.id[i] as number, frames.flags[i] as number, frames.length[i] as number];
    const { heads, links, touched } = this.columns;
    const j = (i - from) << 1;
    links[j + 1] = n;
    const known = (flag & noDataFlags) === 0 ? this.find(bus, id, flag) : -2;
    if (known < 0) {
      this.countWithoutData(known, bus, id, flag);
      return 0;
    }
    const expected = this.lengths[known] as number;
    if (bytes !== expected && !this.countLength(known, bytes, expected)) return 0;
    const head = known << 1;
    const before = heads[head] as number;
    if (before < 0) touched[this.chains++] = head;
    links[j] = before;
    heads[head] = j;
    heads[head + 1] = (heads[head + 1] as number) + 1;
    const samples = this.samplesOf[known] as number;
    if (samples < 0) return this.table.countSamples(known, frames.view, frames.offset[i] as number);
    if (bytes === expected) this.meet(bus, id, flag, known);
    return samples;
  }

  /** Keeps what an id means, if its place is free and there is room. */
  private meet(bus: number, id: number, flags: number, known: number): void {
    const { met, places, placeShift } = this.columns;
    const key = idKey(id, flags);
    const place = Math.imul(key ^ (bus << 24), hashFactor) >>> placeShift;
    const [bytes, samples] = [this.lengths[known] as number, this.samplesOf[known] as number];
    const at = this.metEnd;
    if (places[place] !== 0 || at === met.length || samples > 0xffff) return;
    met[at] = key;
    met[at + 1] = bus;
    met[at + 2] = known << 1;
    met[at + 3] = (bytes << 16) | samples;
    places[place] = at >> 2;
    this.metEnd = at + 4;
  }

  /** Reads what `chainFrames` chained, layout by layout, and forgets the chains. */
  private readChains(frames: FrameBatch, from: number, out: SampleBatch): void {
    const { heads, touched } = this.columns;
    const { decoded, lastSource, total } = this.counts;
    const { id, flags } = frames;
    for (let k = 0; k < this.chains; k++) {
      const head = touched[k] as number;
      const known = head >> 1;
      const newest = heads[head] as number;
      const count = heads[head + 1] as number;
      heads[head] = -1;
      heads[head + 1] = 0;
      this.readChain(known, newest, frames, from, out);
      decoded[known] = (decoded[known] as number) + count;
      total.decoded += count;
      const i = from + (newest >> 1);
      if (((flags[i] as number) & frameFlag.extended) !== 0) lastSource[known] = (id[i] as number) & 0xff;
    }
    this.chains = 0;
  }

  /** Reads the chain that begins at `newest`: by the plain reader as far as that goes, what it leaves from the table. */
  private readChain(known: number, newest: number, frames: FrameBatch, from: number, out: SampleBatch): void {
    const { links } = this.columns;
    const { view, offset, timeUs } = frames;
    const readPlain = this.plainReaders[known];
    for (let j = newest; j >= 0; j = links[j] as number) {
      if (readPlain) j = readPlain(j, from, view, offset, timeUs, out.channel, out.timeUs, out.value);
      if (j < 0) return;
      const i = from + (j >> 1);
      this.table.read(known, view, offset[i] as number, timeUs[i] as number, links[j + 1] as number, out);
    }
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

/**
 * Reads something of each cache line of what the layouts will read, in the order in which it lies: a processor fetches from memory ahead of
 * what is read in order, and layout by layout it isn't. Worth a third of the time where frames come from memory.
 */
function fetchAhead({ count, data, offset, timeUs, dataEnd }: FrameBatch, from: number, to: number): number {
  let sum = 0;
  for (let i = from; i < to; i += lineBytes / Float64Array.BYTES_PER_ELEMENT) sum += (timeUs[i] as number) + (offset[i] as number);
  const end = to < count ? (offset[to] as number) : dataEnd;
  for (let o = offset[from] as number; o < end; o += lineBytes) sum += data[o] as number;
  return sum;
}

function emptyColumns(frames: number): ChainColumns {
  const placeBits = Math.max(8, Math.ceil(Math.log2(frames * placesPerFrame + 1)));
  return {
    met: new Int32Array(4 * Math.min(0x10000, 64 + frames * metIdsPerFrame)).fill(-1),
    places: new Uint16Array(2 ** placeBits),
    placeShift: 32 - placeBits,
    heads: Int32Array.from({ length: frames * 2 }, (_, k) => (k % 2 === 0 ? -1 : 0)),
    links: new Int32Array(stretchFramesMax * 2),
    touched: new Int32Array(frames),
    ends: new Int32Array(2),
  };
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
