// A slice of the record: some ten seconds of inputs as columns in one compressed blob, in which their exact order is kept.
import { promisify } from 'node:util';
import { deflate } from 'node:zlib';
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { ByteReader, ByteWriter, inflated } from './bytes.ts';
import { InputLog, type OtherInput } from './input-log.ts';
import { JournalWriter, toOther, toText, type VehicleByHash, visitJournal } from './journal.ts';
import { readTimeColumns, writeTimeColumns } from './times.ts';

/*
 * Frames that agree in bus, id, flags and length make a stream. A stream's times and bytes are stored as columns, so that like
 * stands beside like. Marks and other inputs are two more streams.
 *
 * The order of all inputs follows from their times, equal times by stream (streams are sorted by bus and id, as arbitration would
 * send them; marks come last). Where equal times came in another order, the streams of such groups are listed; inputs older than
 * one before them (late ones) are kept apart with their place. So the common case costs nothing and every case is exact.
 *
 *     1 · base time · streams(bus, id, flags, length, count) · times · bytes · texts · order of equal times · late ones
 *     0 · the journal's encoding (times too far apart for columns)
 */
const plainForm = 0;
const columnForm = 1;
// Level 6 makes slices 2 % smaller for twice the time (tests/bench/recorder.bench.mjs).
const compressionLevel = 4;
const deflateLater = promisify(deflate);

/** Frames alike in bus, id, flags and length. */
interface Stream {
  bus: number;
  id: number;
  flags: number;
  length: number;
}

/** A stretch of inputs, sorted out. Arrays with one element an input are in the order in which the inputs came. */
interface Layout {
  /** Frame index, or −1 − index among the others. */
  entry: Int32Array;
  timeUs: Float64Array;
  /** Which stream: those of frames first, then `streams.length` for other inputs and `streams.length + 1` for marks. */
  symbol: Uint32Array;
  /** 1 where an input is older than one before it. */
  late: Uint8Array;
  streams: Stream[];
  baseUs: number;
  spanUs: number;
}

/** Encodes a stretch of inputs; the compression runs off this thread. */
export async function encodeSlice(log: InputLog): Promise<Uint8Array> {
  return deflateLater(toColumns(log), { level: compressionLevel });
}

/**
 * Reads a slice back, all inputs in their order.
 * @throws Error, RangeError, SyntaxError when the blob is damaged (its checksum says so).
 */
export function decodeSlice(blob: Uint8Array, vehicleOf: VehicleByHash): InputLog {
  const bytes = inflated(blob);
  const reader = new ByteReader(bytes);
  const form = reader.byte();
  if (form === columnForm) return fromColumns(reader, vehicleOf);
  if (form !== plainForm) throw new RangeError(`unknown form of slice ${form}`);
  const log = new InputLog();
  visitJournal(bytes.subarray(1), vehicleOf, log);
  return log;
}

function toColumns(log: InputLog): Uint8Array {
  const layout = layoutOf(log);
  if (!Number.isSafeInteger((layout.spanUs + 1) * (layout.streams.length + 2))) return toPlain(log);
  const out = new ByteWriter(log.frames.count * 16 + 4096);
  const members = membersBySymbol(layout);
  out.byte(columnForm);
  out.varint(layout.baseUs);
  writeStreams(out, layout, members);
  writeTimeColumns(out, timesPerSymbol(layout, members));
  writePayload(out, layout, members, log.frames);
  writeTexts(out, layout, members, log.others);
  writeTies(out, layout);
  writeLate(out, layout, log);
  return out.bytes.subarray(0, out.length);
}

function toPlain(log: InputLog): Uint8Array {
  const journal = new JournalWriter();
  for (const input of log.inputs()) journal.take(input);
  const out = new Uint8Array(journal.out.length + 1);
  out[0] = plainForm;
  out.set(journal.out.bytes.subarray(0, journal.out.length), 1);
  return out;
}

function layoutOf(log: InputLog): Layout {
  const { frames, others, othersAt } = log;
  const count = log.count;
  const { streams, symbolOfFrame } = streamsOf(frames);
  const entry = new Int32Array(count);
  const timeUs = new Float64Array(count);
  const symbol = new Uint32Array(count);
  const late = new Uint8Array(count);
  let latestUs = 0;
  let baseUs = Number.MAX_SAFE_INTEGER;
  for (let i = 0, f = 0, o = 0; i < count; i++) {
    const isOther = o < others.length && (othersAt[o] as number) <= f;
    const other = isOther ? (others[o] as OtherInput) : undefined;
    const us = other ? other.timeUs : (frames.timeUs[f] as number);
    entry[i] = other ? -1 - o++ : f;
    symbol[i] = other ? streams.length + (other.kind === 'mark' ? 1 : 0) : (symbolOfFrame[f++] as number);
    timeUs[i] = us;
    if (i > 0 && us < latestUs) late[i] = 1;
    else latestUs = us;
    if (late[i] === 0 && us < baseUs) baseUs = us;
  }
  if (count === 0) baseUs = 0;
  return { entry, timeUs, symbol, late, streams, baseUs, spanUs: latestUs - baseUs };
}

/** The streams of a batch in order of bus, id, flags and length, and which of them each frame belongs to. */
function streamsOf(frames: FrameBatch): { streams: Stream[]; symbolOfFrame: Uint32Array } {
  const found: Stream[] = [];
  const symbolOfFrame = new Uint32Array(frames.count);
  // Open addressing: a Map with numbers of this size as keys would cost more than all the rest.
  let table = new Int32Array(1024).fill(-1);
  const place = (bus: number, id: number, flags: number, length: number): number => {
    let at = (Math.imul(id ^ (bus << 26), 0x9e3779b1) ^ Math.imul((flags << 8) | length, 0x85ebca6b)) >>> 0;
    for (; ; at++) {
      const s = table[at & (table.length - 1)] as number;
      if (s < 0) return at & (table.length - 1);
      const stream = found[s] as Stream;
      if (stream.id === id && stream.bus === bus && stream.length === length && stream.flags === flags) return at & (table.length - 1);
    }
  };
  for (let i = 0; i < frames.count; i++) {
    const bus = frames.bus[i] as number;
    const id = frames.id[i] as number;
    const flags = frames.flags[i] as number;
    const length = frames.length[i] as number;
    let at = place(bus, id, flags, length);
    if ((table[at] as number) < 0) {
      found.push({ bus, id, flags, length });
      if (found.length * 2 > table.length) {
        table = new Int32Array(table.length * 2).fill(-1);
        for (const [s, stream] of found.entries()) table[place(stream.bus, stream.id, stream.flags, stream.length)] = s;
        at = place(bus, id, flags, length);
      } else table[at] = found.length - 1;
    }
    symbolOfFrame[i] = table[at] as number;
  }
  const sorted = found.map((_, s) => s).sort((a, b) => compareStreams(found[a] as Stream, found[b] as Stream));
  const rank = new Uint32Array(found.length);
  for (const [r, s] of sorted.entries()) rank[s] = r;
  for (let i = 0; i < frames.count; i++) symbolOfFrame[i] = rank[symbolOfFrame[i] as number] as number;
  return { streams: sorted.map((s) => found[s] as Stream), symbolOfFrame };
}

function compareStreams(a: Stream, b: Stream): number {
  return a.bus - b.bus || a.id - b.id || a.flags - b.flags || a.length - b.length;
}

/** For each symbol the indices of its inputs, late ones left out. */
function membersBySymbol(layout: Layout): Int32Array[] {
  const counts = new Uint32Array(layout.streams.length + 2);
  for (let i = 0; i < layout.symbol.length; i++) if (layout.late[i] === 0) bump(counts, layout.symbol[i] as number);
  const members = Array.from(counts, (count) => new Int32Array(count));
  counts.fill(0);
  for (let i = 0; i < layout.symbol.length; i++) {
    if (layout.late[i] === 1) continue;
    const s = layout.symbol[i] as number;
    (members[s] as Int32Array)[bump(counts, s)] = i;
  }
  return members;
}

/** Adds one and returns what was there. */
function bump(counts: Uint32Array, at: number): number {
  const was = counts[at] as number;
  counts[at] = was + 1;
  return was;
}

function writeStreams(out: ByteWriter, { streams }: Layout, members: Int32Array[]): void {
  out.varint(streams.length);
  for (const stream of streams) {
    out.byte(stream.bus);
    out.varint(stream.id);
    out.byte(stream.flags);
    out.byte(stream.length);
  }
  for (const of of members) out.varint(of.length);
}

function readStreams(reader: ByteReader): { streams: Stream[]; counts: number[] } {
  const streams = Array.from({ length: reader.varint() }, () => {
    const bus = reader.byte();
    return { bus, id: reader.varint(), flags: reader.byte(), length: reader.byte() };
  });
  const counts = Array.from({ length: streams.length + 2 }, () => reader.varint());
  return { streams, counts };
}

function timesPerSymbol({ timeUs, baseUs }: Layout, members: Int32Array[]): Float64Array[] {
  return members.map((of) => {
    const times = new Float64Array(of.length);
    for (let k = 0; k < of.length; k++) times[k] = (timeUs[of[k] as number] as number) - baseUs;
    return times;
  });
}

function heldBytes(stream: Stream): number {
  return (stream.flags & frameFlag.remote) !== 0 ? 0 : stream.length;
}

/** Byte 0 of all frames of a stream, then byte 1, ...: each as its difference in bits to the frame before. */
function writePayload(out: ByteWriter, layout: Layout, members: Int32Array[], frames: FrameBatch): void {
  const { data } = frames;
  for (const [s, stream] of layout.streams.entries()) {
    const offsets = Uint32Array.from(members[s] as Int32Array);
    for (let k = 0; k < offsets.length; k++) offsets[k] = frames.offset[layout.entry[offsets[k] as number] as number] as number;
    const held = heldBytes(stream);
    out.reserve(offsets.length * held);
    const { bytes } = out;
    let to = out.length;
    for (let b = 0; b < held; b++) {
      let last = 0;
      for (let k = 0; k < offsets.length; k++) {
        const byte = data[(offsets[k] as number) + b] as number;
        bytes[to++] = byte ^ last;
        last = byte;
      }
    }
    out.length = to;
  }
}

/** The bytes of each stream's frames, frame after frame. */
function readPayload(reader: ByteReader, streams: Stream[], counts: number[]): Uint8Array[] {
  return streams.map((stream, s) => {
    const count = counts[s] as number;
    const held = heldBytes(stream);
    const columns = reader.take(count * held);
    const bytes = new Uint8Array(count * held);
    for (let b = 0; b < held; b++) {
      let last = 0;
      for (let k = 0, c = b * count; k < count; k++, c++) {
        last ^= columns[c] as number;
        bytes[k * held + b] = last;
      }
    }
    return bytes;
  });
}

function writeTexts(out: ByteWriter, layout: Layout, members: Int32Array[], others: OtherInput[]): void {
  for (const i of members[layout.streams.length] as Int32Array) {
    out.text(toText(others[-1 - (layout.entry[i] as number)] as OtherInput));
  }
}

/** Groups of equal time in which the streams don't ascend: the symbols of all such groups, or nothing when there is none. */
function writeTies(out: ByteWriter, layout: Layout): void {
  const ties = new ByteWriter();
  let ascending = true;
  eachTie(layout.timeUs, layout.late, (from, to) => {
    let last = -1;
    for (let i = from; i < to; i++) {
      if (layout.late[i] === 1) continue;
      const symbol = layout.symbol[i] as number;
      if (symbol < last) ascending = false;
      last = symbol;
      ties.varint(symbol);
    }
  });
  out.byte(ascending ? 0 : 1);
  if (!ascending) out.raw(ties.bytes.subarray(0, ties.length));
}

/** Calls `visit(from, to)` for each run of two or more equal times, late inputs not counted. */
function eachTie(timeUs: Float64Array, late: Uint8Array | undefined, visit: (from: number, to: number) => void): void {
  let from = 0;
  let held = 0;
  for (let i = 0; i <= timeUs.length; i++) {
    if (late?.[i] === 1) continue;
    if (held > 0 && i < timeUs.length && timeUs[i] === timeUs[from]) {
      held++;
      continue;
    }
    if (held > 1) visit(from, i);
    from = i;
    held = 1;
  }
}

function writeLate(out: ByteWriter, layout: Layout, log: InputLog): void {
  const journal = new JournalWriter();
  const places = new ByteWriter();
  let count = 0;
  let lastPlace = 0;
  for (let i = 0; i < layout.late.length; i++) {
    if (layout.late[i] === 0) continue;
    places.varint(i - lastPlace);
    lastPlace = i;
    count++;
    const e = layout.entry[i] as number;
    if (e < 0) journal.other(log.others[-1 - e] as OtherInput);
    else {
      const { timeUs, bus, id, flags, data, offset, length } = log.frames;
      const at = [timeUs[e], bus[e], id[e], flags[e], offset[e], length[e]] as [number, number, number, number, number, number];
      journal.frame(at[0], at[1], at[2], at[3], data, at[4], at[5]);
    }
  }
  out.varint(count);
  out.raw(places.bytes.subarray(0, places.length));
  out.raw(journal.out.bytes.subarray(0, journal.out.length));
}

function fromColumns(reader: ByteReader, vehicleOf: VehicleByHash): InputLog {
  const baseUs = reader.varint();
  const { streams, counts } = readStreams(reader);
  const times = readTimeColumns(reader, counts);
  const payload = readPayload(reader, streams, counts);
  const texts = Array.from({ length: counts[streams.length] as number }, () => reader.text());
  const keys = sortedKeys(times);
  orderTies(reader, keys);
  const late = readLate(reader, vehicleOf);
  const log = new InputLog(keys.symbol.length + late.places.length);
  const cursor = new Uint32Array(times.length);
  let placed = 0;
  const placeLate = (): void => {
    for (; late.places[late.next] === placed; placed++) late.giveNext(log);
  };
  for (let i = 0; i < keys.symbol.length; i++, placed++) {
    placeLate();
    const s = keys.symbol[i] as number;
    const k = bump(cursor, s);
    const timeUs = baseUs + (keys.timeUs[i] as number);
    const stream = streams[s];
    if (stream) {
      log.frames.push(timeUs, stream.bus, stream.id, stream.flags, payload[s] as Uint8Array, k * heldBytes(stream), stream.length);
    } else log.other(s === streams.length ? toOther(texts[k] as string, timeUs, vehicleOf) : { kind: 'mark', timeUs });
  }
  placeLate();
  return log;
}

/** All inputs in order of time, equal times by symbol. */
function sortedKeys(times: Float64Array[]): { timeUs: Float64Array; symbol: Uint32Array } {
  const count = times.reduce((sum, of) => sum + of.length, 0);
  const keys = new Float64Array(count);
  let at = 0;
  for (const [s, of] of times.entries()) for (let k = 0; k < of.length; k++) keys[at++] = (of[k] as number) * times.length + s;
  keys.sort();
  const timeUs = new Float64Array(count);
  const symbol = new Uint32Array(count);
  for (let i = 0; i < count; i++) {
    const us = Math.floor((keys[i] as number) / times.length);
    timeUs[i] = us;
    symbol[i] = (keys[i] as number) - us * times.length;
  }
  return { timeUs, symbol };
}

function orderTies(reader: ByteReader, keys: { timeUs: Float64Array; symbol: Uint32Array }): void {
  if (reader.byte() === 0) return;
  eachTie(keys.timeUs, undefined, (from, to) => {
    for (let i = from; i < to; i++) keys.symbol[i] = reader.varint();
  });
}

/** The late inputs and their places; `giveNext` hands the next one to a visitor. */
function readLate(reader: ByteReader, vehicleOf: VehicleByHash) {
  const count = reader.varint();
  const places: number[] = [];
  for (let i = 0; i < count; i++) places.push((places[i - 1] ?? 0) + reader.varint());
  const give: ((to: InputLog) => void)[] = [];
  visitJournal(reader.take(reader.bytes.length - reader.at), vehicleOf, {
    frame: (...frame) => give.push((to) => to.frame(...frame)),
    other: (input) => give.push((to) => to.other(input)),
  });
  return {
    places,
    next: 0,
    giveNext(to: InputLog): void {
      give[this.next++]?.(to);
    },
  };
}
