// One stored session as pages ask for it: markers, an instant, windows, steps from frame to frame, why a number is what it is.
import { existsSync, statSync } from 'node:fs';
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import { listAlarmRules } from '../alarms/alarm-rules.ts';
import { type Channel, listChannels } from '../channels/channel-list.ts';
import { ChannelTable } from '../channels/channel-table.ts';
import { hasValue, quality, qualityNames } from '../channels/quality.ts';
import { compileDecoder } from '../codec/decoder.ts';
import { Transport } from '../codec/transport.ts';
import type { AlarmState, AlarmsView } from '../contract/alarms.ts';
import { binNone } from '../contract/packet.ts';
import type { InstantView, Marker, SessionDetail, StepView } from '../contract/replay.ts';
import type { StatisticsQuery, StatisticsView } from '../contract/statistics.ts';
import type { WhyView } from '../contract/why.ts';
import type { WindowQuery, WindowView } from '../contract/window.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { findPulls } from '../dyno/pulls.ts';
import { EvenburnError } from '../errors.ts';
import { readingCacheBytesMax } from '../limits.ts';
import { SeenFrames } from '../live/seen-frames.ts';
import { toVehicleView } from '../live/vehicle-to-view.ts';
import { explainChannel, InstantSnapshot } from '../live/why.ts';
import { BoundedCache } from './bounded-cache.ts';
import { startedWallMsOf, toSessionView } from './catalogue.ts';
import type { InputLog } from './input-log.ts';
import { listReadings, ReadingFile } from './reading-file.ts';
import { binCodes, seriesSetOf } from './reading-series.ts';
import type { SessionFile } from './session-file.ts';
import { statisticsOf } from './statistics.ts';

/** Slices looked through for a frame before it is said that there is none. */
const slicesSearchedMax = 360;
const windowPixelsUsual = 1000;

interface OpenReading {
  file: ReadingFile;
  vehicle: Vehicle;
  /** Channels of the definitions that the reading began with: their indices are those that pages use. */
  channels: Channel[];
}

export class StoredSession {
  readonly file: SessionFile;
  private readonly readings = new Map<number, OpenReading>();
  private readonly logs = new BoundedCache<InputLog>(readingCacheBytesMax, (log) => log.frames.data.length + log.frames.timeUs.length * 20);
  private readonly pulls = new Map<number, Marker[]>();

  constructor(file: SessionFile) {
    this.file = file;
  }

  detail(reading: number | undefined): SessionDetail {
    const { file, vehicle, channels } = this.opened(reading);
    const { facts } = this.file;
    const { fromUs, toUs } = file.extent ?? { fromUs: facts.firstUs, toUs: facts.lastUs };
    return {
      session: toSessionView(this.file),
      reading: file.id,
      readings: listReadings(this.file).map(({ node: _, ...about }) => about),
      fromUs,
      toUs,
      vehicle: toVehicleView(vehicle, channels, 0, []),
      markers: this.markers(file, vehicle),
    };
  }

  instant(reading: number | undefined, atUs: number): InstantView {
    const { file, channels, vehicle } = this.opened(reading);
    const samples = samplesByName(file, atUs);
    const view: InstantView = {
      timeUs: atUs,
      wallMs: this.wallOf(atUs),
      values: [],
      quality: [],
      alarms: this.alarmsAt(file.alarms(), vehicle, channels, atUs),
    };
    for (const channel of channels) {
      const sample = samples.get(channel.name);
      const code = sample?.quality ?? quality.missing;
      view.values.push(sample && hasValue(code) ? sample.value : null);
      view.quality.push(code);
    }
    return view;
  }

  step(atUs: number, to: 'next' | 'previous'): StepView {
    const slices = this.file.reading(() => this.file.db.prepare('SELECT id, first_us AS firstUs, last_us AS lastUs FROM slice').all()) as {
      id: number;
      firstUs: number;
      lastUs: number;
    }[];
    const isWanted = to === 'next' ? (us: number) => us > atUs : (us: number) => us < atUs;
    const candidates = slices.filter(({ firstUs, lastUs }) => isWanted(to === 'next' ? lastUs : firstUs));
    // The nearest slice, and the one beside it, which may hold a late frame.
    const near = to === 'next' ? candidates.slice(0, 2) : candidates.slice(-2);
    let found: number | null = null;
    for (const { id } of near) {
      const { frames } = this.log(id);
      for (let i = 0; i < frames.count; i++) {
        const us = frames.timeUs[i] as number;
        if (isWanted(us) && (found === null || Math.abs(us - atUs) < Math.abs(found - atUs))) found = us;
      }
    }
    return { timeUs: found };
  }

  window(reading: number | undefined, query: WindowQuery): WindowView {
    const { file, channels } = this.opened(reading);
    const names = query.channels.split(',').map((name) => name.trim());
    const extent = file.extent ?? { fromUs: 0, toUs: 1 };
    const toUs = query.to ?? extent.toUs;
    const fromUs = query.from ?? (query.span === undefined ? extent.fromUs : toUs - query.span);
    if (toUs <= fromUs) throw new EvenburnError('REQUEST_WRONG', { what: '`to` must lie behind `from`' });
    // A channel of the vehicle that never had a sample (its device was not there) is a trace without anything, not an error.
    const sampled = new Set(file.channels.map(({ name }) => name));
    const silent = new Set(names.filter((name) => !sampled.has(name) && channels.some((channel) => channel.name === name)));
    const { widthUs, first, count, traces } = file.window({
      channels: names.filter((name) => !silent.has(name)),
      fromUs,
      toUs,
      ...(query.width === undefined ? { pixels: query.pixels ?? windowPixelsUsual } : { widthUs: query.width }),
    });
    return {
      epoch: 0,
      timeUs: extent.toUs,
      widthUs,
      first,
      count,
      traces: [
        ...traces.map((trace) => ({
          channel: trace.channel,
          index: channels.findIndex(({ name }) => name === trace.channel),
          unit: trace.unit,
          low: Array.from(trace.min, (value, i) => (trace.numbers[i] === 0 ? null : value)),
          high: Array.from(trace.max, (value, i) => (trace.numbers[i] === 0 ? null : value)),
          quality: binCodes(trace),
        })),
        ...channels.filter(({ name }) => silent.has(name)).map(({ name, index, unit }) => emptyTrace(name, index, unit, count)),
      ],
    };
  }

  statistics(reading: number | undefined, query: StatisticsQuery): StatisticsView {
    const { file, channels } = this.opened(reading);
    return statisticsOf(file, query, new Set(channels.map(({ name }) => name)));
  }

  why(reading: number | undefined, name: string, atUs: number): WhyView {
    const { file, vehicle, channels } = this.opened(reading);
    const channel = channels.find((candidate) => candidate.name === name);
    if (!channel) throw new EvenburnError('CHANNEL_UNKNOWN', { channel: name, session: this.file.session });
    const table = new ChannelTable(channels.length);
    const samples = samplesByName(file, atUs);
    for (const { index, name: known } of channels) {
      const sample = samples.get(known);
      if (sample) table.set(index, sample.value, sample.quality, sample.timeUs);
    }
    const snapshot = new InstantSnapshot(channels.length, quality.missing);
    snapshot.adopt(table, atUs);
    const seen = this.framesBefore(vehicle, needed(channels, channel, table));
    return { epoch: 0, timeUs: atUs, wallMs: this.wallOf(atUs), nodes: explainChannel({ vehicle, channels, snapshot, seen }, channel) };
  }

  close(): void {
    this.file.close();
  }

  private opened(reading: number | undefined): OpenReading {
    const id = reading ?? this.file.shownReading;
    let open = this.readings.get(id);
    if (!open) {
      const file = new ReadingFile(this.file, id);
      const hash = listReadings(this.file).find((about) => about.id === id)?.hash ?? '';
      const vehicle = this.file.reading(() => this.file.vehicleOf(hash));
      open = { file, vehicle, channels: listChannels(vehicle) };
      this.readings.set(id, open);
    }
    return open;
  }

  private log(slice: number): InputLog {
    return this.logs.get(slice, () => {
      const log = this.file.reading(() => this.file.readSlice(slice));
      if (!log) throw new EvenburnError('SESSION_DAMAGED', { path: this.file.path, why: `slice ${slice} is not there` });
      return log;
    });
  }

  private wallOf(timeUs: number): number {
    const { firstUs } = this.file.facts;
    return startedWallMsOf(this.file) + (timeUs - firstUs) / 1000;
  }

  private markers(file: ReadingFile, vehicle: Vehicle): Marker[] {
    const alarms = file
      .alarms()
      .filter(({ event }) => event === 'raised')
      .map(({ timeUs, alarm, severity }): Marker => ({ timeUs, kind: 'alarm', severity, text: alarm }));
    const events = this.file.facts.events
      .filter(({ kind }) => kind !== 'source')
      .map(({ timeUs, kind, text }): Marker => ({ timeUs, kind: kind === 'loss' ? 'loss' : 'definitions', text }));
    const notes = this.file.notes.marks.map(({ timeUs, text }): Marker => ({ timeUs, kind: 'note', text }));
    return [...alarms, ...events, ...notes, ...this.pullMarkers(file, vehicle)].sort((a, b) => a.timeUs - b.timeUs);
  }

  /** Pulls and holds, found once; of a session that is being recorded anew each time. */
  private pullMarkers(file: ReadingFile, vehicle: Vehicle): Marker[] {
    const { facts } = this.file;
    const { state, firstUs } = facts;
    const held = this.pulls.get(file.id);
    if (held && state !== 'open') return held;
    const markers = findPulls(seriesSetOf(file, facts), vehicle).pulls.map(
      ({ kind, from, to, speedFrom, speedTo }, i): Marker => ({
        timeUs: firstUs + Math.round(from * 1e6),
        untilUs: firstUs + Math.round(to * 1e6),
        kind: kind === 'sweep' ? 'pull' : 'hold',
        text: `${kind === 'sweep' ? 'pull' : 'hold'} ${i + 1}, ${Math.round(speedFrom)} to ${Math.round(speedTo)} rpm`,
      }),
    );
    this.pulls.set(file.id, markers);
    return markers;
  }

  /** The frames that gave some samples, by looking through the slices in which they came. */
  private framesBefore(vehicle: Vehicle, timesUs: number[]): SeenFrames {
    const decoder = compileDecoder(vehicle);
    const seen = new SeenFrames((bus, id, flags) => decoder.findFrame(bus, id, flags));
    const transport = new Transport(vehicle);
    const latestUs = Math.max(0, ...timesUs);
    const slices = this.file.reading(() =>
      this.file.db
        .prepare('SELECT id FROM slice WHERE first_us <= ? AND last_us >= ? ORDER BY id')
        .pluck()
        .all(latestUs, Math.min(latestUs, ...timesUs)),
    ) as number[];
    const wanted = new Set(timesUs);
    for (const slice of slices.slice(-slicesSearchedMax)) {
      const { frames } = this.log(slice);
      const picked = new (frames.constructor as typeof import('../bus/frame-batch.ts').FrameBatch)();
      for (let i = 0; i < frames.count; i++) {
        const isPacket = transport.isPacket(frames.bus[i] as number, frames.id[i] as number, frames.flags[i] as number);
        const message = isPacket ? transport.take(frames, i) : undefined;
        if (!wanted.has(frames.timeUs[i] as number)) continue;
        picked.pushFrom(frames, i);
        if (message) seen.take(message);
      }
      seen.take(picked);
    }
    return seen;
  }

  /** The alarms that stood, from what had happened up to then. */
  private alarmsAt(events: AlarmEvent[], vehicle: Vehicle, channels: Channel[], atUs: number): AlarmsView {
    const latches = new Map(listAlarmRules(vehicle, channels).map(({ name, latch }) => [name, latch]));
    const standing = new Map<string, AlarmState>();
    let sequence = 0;
    for (const event of events) {
      if (event.timeUs > atUs) break;
      sequence = event.sequence;
      const state = standing.get(event.alarm);
      if (event.event === 'raised') standing.set(event.alarm, this.raised(event));
      else if (event.event === 'removed') standing.delete(event.alarm);
      else if (event.event === 'acknowledged' && state) {
        if (state.state === 'latched') standing.delete(event.alarm);
        state.acknowledged = true;
        if (event.by !== undefined) state.acknowledgedBy = event.by;
      } else if (event.event === 'cleared' && state) {
        if (latches.get(event.alarm) === true && !state.acknowledged) state.state = 'latched';
        else standing.delete(event.alarm);
      }
    }
    const worst = ['warning', 'caution', 'advisory'];
    const active = [...standing.values()].sort((a, b) => worst.indexOf(a.severity) - worst.indexOf(b.severity) || a.sinceUs - b.sinceUs);
    return { sequence, active };
  }

  private raised({ alarm, timeUs, event: _, quality: code, by: __, ...rest }: AlarmEvent): AlarmState {
    return {
      ...rest,
      name: alarm,
      quality: qualityNames[code],
      state: 'raised',
      acknowledged: false,
      unknown: false,
      sinceUs: timeUs,
      sinceWallMs: this.wallOf(timeUs),
    };
  }
}

/** True when the file at this path is no longer the one that was opened: deleted, restored, or another one of the number. */
export function isGone(path: string, inode: number): boolean {
  return !existsSync(path) || statSync(path).ino !== inode;
}

function samplesByName(file: ReadingFile, atUs: number): Map<string, { timeUs: number; value: number; quality: number }> {
  const values = file.valuesAt(atUs);
  const byName = new Map<string, { timeUs: number; value: number; quality: number }>();
  for (const { id, name } of file.channels) {
    const sample = values.get(id);
    const held = byName.get(name);
    // After a change of its unit a channel is there twice: the newer sample counts.
    if (sample && (!held || sample.timeUs >= held.timeUs)) byName.set(name, sample);
  }
  return byName;
}

/** Times of the samples that a channel's chain shows. */
function needed(channels: Channel[], channel: Channel, table: ChannelTable): number[] {
  const times = new Set<number>();
  const queue = [channel];
  const queued = new Set(queue);
  for (let next = queue.pop(); next; next = queue.pop()) {
    const us = table.timeUs[next.index] as number;
    if (next.signal && us >= 0) times.add(us);
    for (const input of next.inputs) {
      const below = channels[input];
      if (!below || queued.has(below)) continue;
      queued.add(below);
      queue.push(below);
    }
  }
  return [...times];
}

/** Bins of a channel of which nothing is known. */
function emptyTrace(channel: string, index: number, unit: string, count: number): WindowView['traces'][number] {
  const nothing = new Array<null>(count).fill(null);
  return { channel, index, unit, low: nothing, high: nothing, quality: new Array<number>(count).fill(binNone) };
}
