// A stored reading opened to read: windows for plots, values at an instant, alarms, samples. Nothing is computed anew, so seeking is quick.
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import { hasValue } from '../channels/quality.ts';
import { EvenburnError } from '../errors.ts';
import { readingCacheBytesMax } from '../limits.ts';
import { type Bins, binWidthsUs, decodeBins } from './bins.ts';
import { binsKey, binsOfSlices, ChunkReader, slicesPerBlock } from './bins-store.ts';
import { BoundedCache } from './bounded-cache.ts';
import type { Column } from './chunk.ts';
import { type LastSample, LastSamples } from './last-samples.ts';
import { knownChannels, type ReadingChannel } from './reading-channels.ts';
import { packSliceKey, sliceOfKey } from './schema.ts';
import type { SessionFile } from './session-file.ts';

export interface WindowAsked {
  /** Names. */
  channels: readonly string[];
  fromUs: number;
  toUs: number;
  /** Bins wanted at most; or the width of a bin, microseconds. */
  pixels?: number;
  widthUs?: number;
}

/** Bin `first + i` covers [(first + i) × widthUs, (first + i + 1) × widthUs); every sample in it is counted, none twice. */
export interface ReadingWindow {
  widthUs: number;
  first: number;
  count: number;
  traces: ReadingTrace[];
}

export interface ReadingTrace {
  channel: string;
  unit: string;
  /** Extremes of the samples that carry a number; 0 and meaningless where `numbers` is 0. */
  min: Float64Array;
  max: Float64Array;
  /** Samples of the bin that carry a number. */
  numbers: Uint32Array;
  /** Bit q is set when a sample of quality q fell into the bin; 0: no sample at all. */
  qualities: Uint8Array;
  /** Quality of the last sample of the bin. */
  last: Uint8Array;
  /** What held when the window began; undefined: nothing was known. */
  before: LastSample | undefined;
}

export interface ReadingAbout {
  id: number;
  madeWallMs: number;
  program: string;
  node: string;
  /** Definitions that it began with. */
  hash: string;
  state: 'growing' | 'complete' | 'failed';
  note: string;
}

interface SliceRange {
  slice: number;
  firstUs: number;
  lastUs: number;
}

// A coarse level serves from this multiple of its width on, so that widening to whole bins costs at most an eighth of the resolution.
const coarseFrom = 8;

export class ReadingFile {
  readonly id: number;
  private readonly file: SessionFile;
  private readonly chunks: ChunkReader;
  private readonly ranges: SliceRange[] = [];
  private readonly columns: BoundedCache<Column | null>;
  private readonly bins: BoundedCache<Bins | null>;
  private channelList: ReadingChannel[] | undefined;
  /** While the session is being recorded, blocks grow. */
  private grows = true;

  /** @throws EvenburnError READING_UNKNOWN */
  constructor(file: SessionFile, id: number) {
    this.file = file;
    this.id = id;
    const known = file.reading(() => file.db.prepare('SELECT count(*) FROM reading WHERE id = ?').pluck().get(id));
    if (known !== 1) throw new EvenburnError('READING_UNKNOWN', { session: file.session, reading: id });
    this.chunks = new ChunkReader(file.db, id);
    this.columns = new BoundedCache(readingCacheBytesMax, (column) => (column ? column.value.length * 17 : 16));
    this.bins = new BoundedCache(readingCacheBytesMax, (bins) => (bins ? bins.index.length * 30 : 16));
  }

  /** The channels that have a sample, in the order in which they first had one. */
  get channels(): ReadingChannel[] {
    const count = this.file.db.prepare('SELECT count(*) FROM channel WHERE reading = ?').pluck().get(this.id) as number;
    if (this.channelList?.length !== count) this.channelList = this.file.reading(() => knownChannels(this.file.db, this.id));
    return this.channelList;
  }

  /** A channel by name; of several (its unit was changed) the newest. @throws EvenburnError CHANNEL_UNKNOWN */
  channel(name: string): ReadingChannel {
    const found = this.channels.findLast((channel) => channel.name === name);
    if (!found) throw new EvenburnError('CHANNEL_UNKNOWN', { channel: name, session: this.file.session });
    return found;
  }

  /** Bins of channels over a stretch of time, exact on their edges. @throws EvenburnError CHANNEL_UNKNOWN, SESSION_DAMAGED */
  window({ channels, fromUs, toUs, pixels = 1000, widthUs: given }: WindowAsked): ReadingWindow {
    if (this.grows) this.grows = this.file.facts.state === 'open';
    const { widthUs, level } = given === undefined ? binsFor(Math.max(1, (toUs - fromUs) / pixels)) : levelOf(given);
    const first = Math.floor(fromUs / widthUs);
    const count = Math.max(1, Math.ceil(toUs / widthUs) - first);
    const before = this.lastBefore(first * widthUs);
    const found = channels.map((name) => this.channel(name));
    const traces = found.map((channel) => ({ ...emptyTrace(channel, count), before: before(channel.id) }));
    this.file.reading(() => {
      for (const [i, trace] of traces.entries()) {
        const { id } = found[i] as ReadingChannel;
        if (level === undefined) this.fillFromSamples(trace, id, first, widthUs);
        else this.fillFromBins(trace, id, first, widthUs, level);
      }
    });
    return { widthUs, first, count, traces };
  }

  /** First and last time of any sample; undefined while there is none. */
  get extent(): { fromUs: number; toUs: number } | undefined {
    const ranges = this.slices().filter(({ firstUs, lastUs }) => lastUs > 0 || firstUs > 0);
    if (ranges.length === 0) return undefined;
    return { fromUs: Math.min(...ranges.map(({ firstUs }) => firstUs)), toUs: Math.max(...ranges.map(({ lastUs }) => lastUs)) };
  }

  /** The newest sample of every channel at or before an instant, by channel id. @throws EvenburnError SESSION_DAMAGED */
  valuesAt(timeUs: number): Map<number, LastSample> {
    return this.file.reading(() => {
      const last = this.lastBefore(timeUs + 1);
      const values = new Map<number, LastSample>();
      for (const { id } of this.channels) {
        const sample = last(id);
        if (sample) values.set(id, sample);
      }
      return values;
    });
  }

  /** Samples of one channel with times of `fromUs` up to, not including, `toUs`, in the order in which they came to be. */
  *samples(channel: number, fromUs = 0, toUs = Number.MAX_SAFE_INTEGER): Generator<Column> {
    for (const { slice } of this.overlapping(fromUs, toUs)) {
      const column = this.samplesOf(slice, channel);
      if (column) yield between(column, fromUs, toUs);
    }
  }

  /** Samples of one channel and slice; undefined when there are none. */
  samplesOf(slice: number, channel: number): Column | undefined {
    return this.file.reading(() => this.chunks.read(slice, channel));
  }

  /** What happened to alarms, oldest first. */
  alarms(): AlarmEvent[] {
    return this.file.reading(() => {
      const rows = this.file.db.prepare('SELECT event FROM alarm WHERE reading = ? ORDER BY sequence').pluck().all(this.id);
      return (rows as string[]).map((event) => JSON.parse(event) as AlarmEvent);
    });
  }

  /** Slices that hold samples, with their extents; they may overlap where late frames came. */
  slices(): readonly SliceRange[] {
    const last = this.ranges.at(-1);
    const rows = this.file.db
      .prepare('SELECT key, first_us AS firstUs, last_us AS lastUs FROM reading_slice WHERE key > ? AND key < ? ORDER BY key')
      .all(last ? packSliceKey(this.id, last.slice) : packSliceKey(this.id, 0) - 1, packSliceKey(this.id + 1, 0));
    for (const { key, firstUs, lastUs } of rows as { key: number; firstUs: number; lastUs: number }[]) {
      this.ranges.push({ slice: sliceOfKey(key), firstUs, lastUs });
    }
    return this.ranges;
  }

  private overlapping(fromUs: number, toUs: number): SliceRange[] {
    return this.slices().filter((range) => range.lastUs >= fromUs && range.firstUs < toUs);
  }

  /** A look-up of the newest sample before an instant, by channel id. */
  private lastBefore(timeUs: number): (channel: number) => LastSample | undefined {
    const ranges = this.slices();
    // Every sample of the slices before this one is older than the instant, and the slice's own head says what they left.
    const from = ranges.findIndex((range) => range.lastUs >= timeUs);
    const start = from < 0 ? ranges.length - 1 : from;
    const head = ranges[start];
    if (!head) return () => undefined;
    const db = this.file.db;
    const blob = db.prepare('SELECT before FROM reading_slice WHERE key = ?').pluck().get(packSliceKey(this.id, head.slice)) as Buffer;
    const last = LastSamples.decode(blob);
    const later = ranges.slice(start).filter((range) => range.firstUs < timeUs);
    return (channel) => {
      for (const { slice } of later) {
        const column = this.columnOf(slice, channel);
        if (column) last.takeColumn(channel, column, timeUs);
      }
      return last.find(channel);
    };
  }

  private columnOf(slice: number, channel: number): Column | null {
    return this.columns.get(slice * 65_536 + channel, () => this.chunks.read(slice, channel) ?? null);
  }

  private fillFromSamples(trace: ReadingTrace, channel: number, first: number, widthUs: number): void {
    const startUs = first * widthUs;
    const { length } = trace.numbers;
    for (const { slice } of this.overlapping(startUs, startUs + length * widthUs)) {
      const column = this.columnOf(slice, channel);
      if (!column) continue;
      addSamples(trace, column, startUs, widthUs);
    }
  }

  private fillFromBins(trace: ReadingTrace, channel: number, first: number, widthUs: number, level: number): void {
    const ratio = widthUs / (binWidthsUs[level] as number);
    const start = first * ratio;
    for (const block of this.blocks(first * widthUs, (first + trace.numbers.length) * widthUs)) {
      const bins = this.binsOf(block, channel, level);
      if (!bins) continue;
      addBins(trace, bins, start, ratio);
    }
  }

  private blocks(fromUs: number, toUs: number): Set<number> {
    return new Set(this.overlapping(fromUs, toUs).map(({ slice }) => Math.floor(slice / slicesPerBlock)));
  }

  /** The bins of a block: as stored, or while the block grows made of its samples. */
  private binsOf(block: number, channel: number, level: number): Bins | null {
    const key = binsKey(this.id, block, channel, level);
    const end = Math.min((block + 1) * slicesPerBlock, this.ranges.length);
    const isWhole = end === (block + 1) * slicesPerBlock || !this.grows;
    // A growing block is kept by how far it had grown.
    return this.bins.get(isWhole ? key : -(key * slicesPerBlock + (end % slicesPerBlock)), () => {
      const blob = this.file.db.prepare('SELECT data FROM bins WHERE key = ?').pluck().get(key) as Buffer | undefined;
      if (blob) return decodeBins(blob);
      if (isWhole && this.hasBins(block)) return null;
      return binsOfSlices(this.chunks, channel, block * slicesPerBlock, end)[level] as Bins;
    });
  }

  private hasBins(block: number): boolean {
    const { db } = this.file;
    const from = binsKey(this.id, block, 0, 0);
    return db.prepare('SELECT 1 FROM bins WHERE key >= ? AND key < ? LIMIT 1').get(from, binsKey(this.id, block + 1, 0, 0)) !== undefined;
  }
}

/** The readings of a session. */
export function listReadings(file: SessionFile): ReadingAbout[] {
  const rows = file.reading(() =>
    file.db.prepare('SELECT id, made_wall_ms AS madeWallMs, program, node, hash, state, note FROM reading ORDER BY id').all(),
  );
  return rows as ReadingAbout[];
}

/** Width of a window's bins, and the stored level that they are whole multiples of; no level: they are made of samples. */
function binsFor(wantedUs: number): { widthUs: number; level: number | undefined } {
  for (let level = binWidthsUs.length - 1; level >= 0; level--) {
    const stored = binWidthsUs[level] as number;
    if (wantedUs < stored * (level === 0 ? 1 : coarseFrom)) continue;
    return { widthUs: Math.ceil(wantedUs / stored) * stored, level };
  }
  return { widthUs: Math.ceil(wantedUs), level: undefined };
}

/** The coarsest stored level that a given width is a whole multiple of. */
function levelOf(widthUs: number): { widthUs: number; level: number | undefined } {
  const level = binWidthsUs.findLastIndex((stored) => widthUs % stored === 0);
  return { widthUs, level: level < 0 ? undefined : level };
}

function emptyTrace({ name, unit }: ReadingChannel, count: number): ReadingTrace {
  return {
    channel: name,
    unit,
    min: new Float64Array(count),
    max: new Float64Array(count),
    numbers: new Uint32Array(count),
    qualities: new Uint8Array(count),
    last: new Uint8Array(count),
    before: undefined,
  };
}

/** Puts samples into the bins of a trace. Locals throughout: this loop is what a zoomed-in window takes its time for. */
function addSamples(trace: ReadingTrace, { timeUs, value, quality }: Column, startUs: number, widthUs: number): void {
  const { min, max, numbers, qualities, last } = trace;
  const endUs = startUs + numbers.length * widthUs;
  for (let i = 0; i < timeUs.length; i++) {
    const us = timeUs[i] as number;
    if (us < startUs || us >= endUs) continue;
    const bin = Math.floor((us - startUs) / widthUs);
    const code = quality[i] as number;
    qualities[bin] = (qualities[bin] as number) | (1 << code);
    last[bin] = code;
    if (!hasValue(code)) continue;
    const v = value[i] as number;
    const had = numbers[bin] as number;
    if (had === 0 || v < (min[bin] as number)) min[bin] = v;
    if (had === 0 || v > (max[bin] as number)) max[bin] = v;
    numbers[bin] = had + 1;
  }
}

/** Puts stored bins, from number `start` on, into the bins of a trace, each of which is `ratio` of them: one bin of the trace at a time. */
function addBins(trace: ReadingTrace, bins: Bins, start: number, ratio: number): void {
  const { index, min, max, count, qualities } = bins;
  const end = start + trace.numbers.length * ratio;
  let i = lowerBound(index, start);
  while (i < index.length && (index[i] as number) < end) {
    const bin = Math.floor(((index[i] as number) - start) / ratio);
    const behind = start + (bin + 1) * ratio;
    let numbers = trace.numbers[bin] as number;
    let low = numbers === 0 ? Number.POSITIVE_INFINITY : (trace.min[bin] as number);
    let high = numbers === 0 ? Number.NEGATIVE_INFINITY : (trace.max[bin] as number);
    let seen = trace.qualities[bin] as number;
    for (; i < index.length && (index[i] as number) < behind; i++) {
      seen |= qualities[i] as number;
      const held = count[i] as number;
      if (held === 0) continue;
      numbers += held;
      if ((min[i] as number) < low) low = min[i] as number;
      if ((max[i] as number) > high) high = max[i] as number;
    }
    trace.qualities[bin] = seen;
    trace.last[bin] = bins.last[i - 1] as number;
    trace.numbers[bin] = numbers;
    if (numbers === 0) continue;
    trace.min[bin] = low;
    trace.max[bin] = high;
  }
}

function between(column: Column, fromUs: number, toUs: number): Column {
  const { timeUs, value, quality } = column;
  const inside = (_: unknown, i: number): boolean => (timeUs[i] as number) >= fromUs && (timeUs[i] as number) < toUs;
  if (timeUs.every(inside)) return column;
  return { timeUs: timeUs.filter(inside), value: value.filter(inside), quality: quality.filter(inside) };
}

/** First place whose value is not less than `wanted`. */
function lowerBound(values: Float64Array, wanted: number): number {
  let low = 0;
  let high = values.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((values[middle] as number) < wanted) low = middle + 1;
    else high = middle;
  }
  return low;
}
