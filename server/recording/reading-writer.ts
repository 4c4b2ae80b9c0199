// Makes a reading: runs inputs through a pipeline, gathers the samples by channel, and stores them slice by slice.
import { deflateSync } from 'node:zlib';
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import type { Channel } from '../channels/channel-list.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { PipelineSink, PipelineState } from '../pipeline.ts';
import { BinBuilder, binWidthsUs } from './bins.ts';
import { writeBins } from './bins-store.ts';
import { inflated } from './bytes.ts';
import { type Column, encodeChunk, encodeTimes } from './chunk.ts';
import type { Connection } from './database.ts';
import { LastSamples } from './last-samples.ts';
import { aboutChannel, knownChannels, type ReadingChannel } from './reading-channels.ts';
import { packKey, packSliceKey } from './schema.ts';

/** Everything of one slice that goes into the session file with it. */
export interface ReadingSlice {
  key: number;
  firstUs: number;
  lastUs: number;
  samples: number;
  before: Uint8Array;
  state: Uint8Array;
  times: { key: number; data: Uint8Array }[];
  chunks: { key: number; data: Uint8Array }[];
  alarms: AlarmEvent[];
}

/** Samples of one channel while they are gathered. */
class GrowingColumn {
  count = 0;
  private timeUs = new Float64Array(64);
  private value = new Float64Array(64);
  private quality = new Uint8Array(64);

  push(timeUs: number, value: number, quality: number): void {
    if (this.count === this.timeUs.length) this.grow();
    const i = this.count++;
    this.timeUs[i] = timeUs;
    this.value[i] = value;
    this.quality[i] = quality;
  }

  taken(): Column {
    const { count } = this;
    return { timeUs: this.timeUs.slice(0, count), value: this.value.slice(0, count), quality: this.quality.slice(0, count) };
  }

  clear(): void {
    this.count = 0;
  }

  private grow(): void {
    const samplesMax = this.timeUs.length * 2;
    const old = this.taken();
    this.timeUs = new Float64Array(samplesMax);
    this.value = new Float64Array(samplesMax);
    this.quality = new Uint8Array(samplesMax);
    this.timeUs.set(old.timeUs);
    this.value.set(old.value);
    this.quality.set(old.quality);
  }
}

/** One slice's samples, taken out of the writer at once and encoded when there is time. */
export interface ReadingCut {
  slice: number;
  before: Uint8Array;
  /** Of the definitions in force behind it, and the pipeline's state there; undefined where it can't be had. */
  hash: string;
  state: PipelineState | undefined;
  columns: { id: number; column: Column }[];
  alarms: AlarmEvent[];
}

const pauseAfterMs = 4;

/** Writes one reading of one session. */
export class ReadingWriter implements PipelineSink {
  readonly id: number;
  private readonly db: Connection;
  /** Channel index of the pipeline → channel id of the reading; -1 until its first sample. */
  private idOf: number[] = [];
  private channels: readonly Channel[] = [];
  private vehicle: Vehicle | undefined;
  /** Name and unit → channel id. */
  private readonly known = new Map<string, number>();
  private readonly about: ReadingChannel[] = [];
  private readonly columns: GrowingColumn[] = [];
  private readonly last: LastSamples;
  private before: Uint8Array;
  private alarms: AlarmEvent[] = [];
  /** Fine bins of the block that grows, from slice number `slice` on. */
  private gathered: { slice: number | undefined; fine: Map<number, BinBuilder> } = { slice: undefined, fine: new Map() };

  /** Goes on with reading `id` of an open session file. `last` is what the channels held when it was left. */
  constructor(db: Connection, id: number, last = new LastSamples()) {
    this.db = db;
    this.id = id;
    this.last = last;
    this.before = last.encode();
    for (const channel of knownChannels(db, id)) this.register(channel);
  }

  /** Begins a reading: `hash` names the definitions that it starts with. */
  static begin(db: Connection, made: { wallMs: number; program: string; hash: string; note: string }): ReadingWriter {
    const insert = db.prepare(
      "INSERT INTO reading (made_wall_ms, program, node, hash, state, note) VALUES (?, ?, ?, ?, 'growing', ?) RETURNING id",
    );
    const id = insert.pluck().get(made.wallMs, made.program, process.versions.node, made.hash, made.note) as number;
    return new ReadingWriter(db, id);
  }

  /** The definitions in force before the first input. */
  adopt(vehicle: Vehicle, channels: readonly Channel[]): void {
    this.vehicle = vehicle;
    this.channels = channels;
    this.idOf = channels.map((channel) => this.known.get(channelKey(channel.name, channel.unit)) ?? -1);
  }

  definitions(_timeUs: number, vehicle: Vehicle, channels: readonly Channel[]): void {
    this.adopt(vehicle, channels);
  }

  samples(batch: SampleBatch): void {
    for (let i = 0; i < batch.count; i++) {
      const index = batch.channel[i] as number;
      let id = this.idOf[index] as number;
      if (id < 0) id = this.addChannel(index);
      (this.columns[id] as GrowingColumn).push(batch.timeUs[i] as number, batch.value[i] as number, batch.quality[i] as number);
    }
  }

  alarm(event: AlarmEvent): void {
    this.alarms.push({ ...event });
  }

  /** True when something came since the last cut. */
  get hasMore(): boolean {
    return this.alarms.length > 0 || this.columns.some((column) => column.count > 0);
  }

  /**
   * Takes out everything since the last cut, as slice number `slice`.
   * @param state The pipeline's state behind the slice's last input; undefined where it can't be had.
   */
  cut(slice: number, state: PipelineState | undefined): ReadingCut {
    const cut: ReadingCut = { slice, before: this.before, hash: this.vehicle?.hash ?? '', state, columns: [], alarms: this.alarms };
    for (const [id, column] of this.columns.entries()) {
      if (column.count === 0) continue;
      const taken = column.taken();
      cut.columns.push({ id, column: taken });
      column.clear();
      this.last.takeColumn(id, taken);
    }
    this.before = this.last.encode();
    this.alarms = [];
    return cut;
  }

  /** Encodes a cut, giving way to other work of this thread every few milliseconds. */
  async encode(cut: ReadingCut): Promise<ReadingSlice> {
    const { slice, columns } = cut;
    const encoded: ReadingSlice = {
      key: packSliceKey(this.id, slice),
      firstUs: Number.MAX_SAFE_INTEGER,
      lastUs: 0,
      samples: 0,
      before: cut.before,
      state: deflateSync(Buffer.from(JSON.stringify({ hash: cut.hash, state: cut.state }))),
      times: [],
      chunks: [],
      alarms: cut.alarms,
    };
    const groups = new TimeGroups();
    let sinceMs = performance.now();
    for (const { id, column } of columns) {
      const group = groups.find(column.timeUs);
      if (group === encoded.times.length) encoded.times.push({ key: packKey(this.id, slice, group), data: encodeTimes(column.timeUs) });
      encoded.chunks.push({ key: packKey(this.id, slice, id), data: encodeChunk(column, group, this.about[id]?.about.scale) });
      this.gather(slice, id, column);
      encoded.samples += column.value.length;
      for (const us of column.timeUs) {
        if (us < encoded.firstUs) encoded.firstUs = us;
        if (us > encoded.lastUs) encoded.lastUs = us;
      }
      if (performance.now() - sinceMs < pauseAfterMs) continue;
      await new Promise(setImmediate);
      sinceMs = performance.now();
    }
    if (encoded.samples === 0) encoded.firstUs = 0;
    return encoded;
  }

  /** Writes the pyramid of the block of slices `from` up to, not including, `to`, all of which have been encoded. */
  async writeBlock(from: number, to: number): Promise<void> {
    const { slice, fine } = this.gathered;
    this.gathered = { slice: undefined, fine: new Map() };
    // After a restart in the middle of a block not all of it was gathered here.
    await writeBins(this.db, this.id, from, to, slice === from ? fine : undefined);
  }

  private gather(slice: number, id: number, column: Column): void {
    this.gathered.slice ??= slice;
    let fine = this.gathered.fine.get(id);
    if (!fine) {
      fine = new BinBuilder(binWidthsUs[0]);
      this.gathered.fine.set(id, fine);
    }
    fine.addColumn(column);
  }

  /** Stores an encoded slice; call it inside the transaction that stores the slice of the record. */
  store(slice: ReadingSlice): void {
    const { db } = this;
    const addChannel = db.prepare('INSERT OR IGNORE INTO channel (reading, id, name, unit, about) VALUES (?, ?, ?, ?, ?)');
    for (const { id, name, unit, about } of this.about) addChannel.run(this.id, id, name, unit, JSON.stringify(about));
    db.prepare('INSERT OR REPLACE INTO reading_slice (key, first_us, last_us, samples, before, state) VALUES (?, ?, ?, ?, ?, ?)').run(
      slice.key,
      slice.firstUs,
      slice.lastUs,
      slice.samples,
      slice.before,
      slice.state,
    );
    const addTimes = db.prepare('INSERT OR REPLACE INTO times (key, data) VALUES (?, ?)');
    for (const { key, data } of slice.times) addTimes.run(key, data);
    const addChunk = db.prepare('INSERT OR REPLACE INTO chunk (key, data) VALUES (?, ?)');
    for (const { key, data } of slice.chunks) addChunk.run(key, data);
    const addAlarm = db.prepare('INSERT OR REPLACE INTO alarm (reading, sequence, time_us, event) VALUES (?, ?, ?, ?)');
    for (const event of slice.alarms) addAlarm.run(this.id, event.sequence, event.timeUs, JSON.stringify(event));
  }

  /** Says how the reading ended. */
  end(state: 'complete' | 'failed', note?: string): void {
    this.db.prepare('UPDATE reading SET state = ?, note = coalesce(?, note) WHERE id = ?').run(state, note ?? null, this.id);
  }

  /** Takes the reading away: it was given up half-way. */
  remove(): void {
    const { db, id } = this;
    db.transaction(() => {
      for (const table of ['chunk', 'times', 'bins']) {
        db.prepare(`DELETE FROM ${table} WHERE key >= ? AND key < ?`).run(packKey(id, 0, 0), packKey(id + 1, 0, 0));
      }
      db.prepare('DELETE FROM reading_slice WHERE key >= ? AND key < ?').run(packSliceKey(id, 0), packSliceKey(id + 1, 0));
      for (const table of ['alarm', 'channel']) db.prepare(`DELETE FROM ${table} WHERE reading = ?`).run(id);
      db.prepare('DELETE FROM reading WHERE id = ?').run(id);
    }).immediate();
  }

  private addChannel(index: number): number {
    const channel = this.channels[index] as Channel;
    const id = this.about.length;
    this.idOf[index] = id;
    this.register({ id, name: channel.name, unit: channel.unit, about: aboutChannel(channel, this.vehicle) });
    return id;
  }

  private register(channel: ReadingChannel): void {
    this.known.set(channelKey(channel.name, channel.unit), channel.id);
    this.about[channel.id] = channel;
    this.columns[channel.id] = new GrowingColumn();
  }
}

/** Columns of times seen in a slice: which group a column belongs to, a new one when no earlier one is alike. */
class TimeGroups {
  private readonly seen: Float64Array[] = [];

  find(timeUs: Float64Array): number {
    const found = this.seen.findIndex((other) => isAlike(other, timeUs));
    if (found >= 0) return found;
    this.seen.push(timeUs);
    return this.seen.length - 1;
  }
}

function isAlike(a: Float64Array, b: Float64Array): boolean {
  if (a.length !== b.length || a[0] !== b[0] || a[a.length - 1] !== b[b.length - 1]) return false;
  for (let i = 0; i < a.length; i++) if (a[i] !== b[i]) return false;
  return true;
}

/** The definitions in force behind a stored slice, and the pipeline's state there. @throws Error when the blob is damaged. */
export function readSliceState(blob: Uint8Array): { hash: string; state: PipelineState | undefined } {
  const { hash, state } = JSON.parse(inflated(blob).toString()) as { hash: string; state?: PipelineState };
  return { hash, state };
}

/** A channel that changes its unit (a corrected definition) goes on as another one of the same name. */
function channelKey(name: string, unit: string): string {
  return JSON.stringify([name, unit]);
}
