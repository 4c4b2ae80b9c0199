// The one place where the stages are joined, in the order in which a frame visits them: start reading here.
import { AlarmBoard } from './alarms/alarm-board.ts';
import type { AlarmEvent, AlarmsStanding } from './alarms/alarm-event.ts';
import { listAlarmRules } from './alarms/alarm-rules.ts';
import type { FrameBatch } from './bus/frame-batch.ts';
import { listBuiltIns } from './channels/built-in.ts';
import { BusMeters } from './channels/bus-meter.ts';
import { type Channel, describeChannels } from './channels/channel-list.ts';
import { ChannelTable } from './channels/channel-table.ts';
import { DerivedChannels, type SavedComputation } from './channels/derived-channels.ts';
import { Evaluation } from './channels/evaluation.ts';
import type { FormulaContext } from './channels/formula-compile.ts';
import { fromPlain, toPlain } from './channels/plain-numbers.ts';
import { SampleBatch } from './channels/sample-batch.ts';
import { Staleness } from './channels/staleness.ts';
import { compileDecoder, type DecodeCounts, type Decoder } from './codec/decoder.ts';
import type { SavedTransfer, Transport } from './codec/transport.ts';
import type { Frame, Vehicle } from './definitions/vehicle.ts';
import { instantUs, type PipelineInput } from './pipeline-input.ts';

/** Where results go. Batches and tables are lent: what is kept must be copied before returning. */
export interface PipelineSink {
  /**
   * New samples in the order in which they came to be: signals at their frame's time, derived channels at instants. A sample of quality
   * `stale` is the change to that state: plots and readings show it, `decode` prints no line for it.
   */
  samples(batch: SampleBatch): void;
  alarm(event: AlarmEvent): void;
  /** After everything of an instant at which something happened; `table.changedList` names the channels that did. */
  instant?(timeUs: number, table: ChannelTable): void;
  /** Other definitions are in force from this instant on: channel indices have changed. Samples before it have been handed over. */
  definitions?(timeUs: number, vehicle: Vehicle, channels: readonly Channel[]): void;
}

/** Everything that the future depends on, as JSON: `new Pipeline(sameVehicle, sink)` and `restoreState` go on bit for bit alike. */
export interface PipelineState {
  version: number;
  [key: string]: unknown;
}

const stateVersion = 1;

/** Everything that belongs to one definition set. */
interface Stages {
  vehicle: Vehicle;
  channels: readonly Channel[];
  decoder: Decoder;
  table: ChannelTable;
  staleness: Staleness;
  meters: BusMeters;
  derived: DerivedChannels;
  context: FormulaContext;
}

/**
 * Decodes, applies, marks the stale, derives, steps the alarms. Pure: no I/O, no clock, no log; the same inputs in the same order give
 * the same samples and alarms, however the batches are cut.
 *
 * An instant T (a multiple of 10 ms) sees the frames with a time up to and including T, and runs once a later frame or a mark at or
 * behind T has come. Instants at which nothing can happen are skipped, so that a gap of years costs nothing.
 */
export class Pipeline {
  /** Late frames that were applied when they came. */
  lateFrames = 0;
  private readonly sink: PipelineSink;
  private readonly samples = new SampleBatch();
  /** Samples of the batch at hand that were decoded in advance, and where those of each frame begin. */
  private readonly ahead = new SampleBatch();
  private starts = new Int32Array(256);
  private readonly board: AlarmBoard;
  private stages: Stages;
  /** Every instant up to this one is over, whether it had to run or not. */
  private passedUs = -instantUs;
  /** Time of the newest frame. */
  private newestUs = -1;
  /** The first instant that has frames to look at; Infinity: none came since the last. */
  private frameDueUs = Number.POSITIVE_INFINITY;
  /** A definition set that waits for its instant. */
  private pending: { atUs: number; vehicle: Vehicle } | undefined;

  constructor(vehicle: Vehicle, sink: PipelineSink) {
    this.sink = sink;
    this.board = new AlarmBoard((event) => sink.alarm(event));
    this.stages = buildStages(vehicle);
    this.board.define(listAlarmRules(vehicle, this.channels), this.stages.context, this.channels, 0);
  }

  /** The definitions in force. */
  get vehicle(): Vehicle {
    return this.stages.vehicle;
  }

  get channels(): readonly Channel[] {
    return this.stages.channels;
  }

  /** The newest of every channel. */
  get table(): ChannelTable {
    return this.stages.table;
  }

  /** What became of the frames so far, of the definitions in force. */
  get counts(): DecodeCounts {
    return this.stages.decoder.counts;
  }

  /** J1939 messages of several packets; undefined where no bus speaks J1939. */
  get transport(): Transport | undefined {
    return this.stages.decoder.transport;
  }

  /** The alarms that stand. */
  get alarms(): AlarmsStanding {
    return this.board.standing;
  }

  /** The definition that a frame of this bus, id and flags (`frameFlag`) belongs to; undefined when none. */
  findFrame(bus: number, id: number, flags: number): Frame | undefined {
    return this.stages.decoder.findFrame(bus, id, flags);
  }

  /** Takes one input; the sink has been called for everything that follows from it when this returns. */
  take(input: PipelineInput): void {
    if (input.kind === 'frames') this.takeFrames(input.batch);
    else if (input.kind === 'mark') this.passUpTo(input.timeUs);
    else if (input.kind === 'acknowledge') this.board.acknowledge(input.alarm, input.by, Math.max(input.timeUs, this.passedUs));
    else if (input.kind === 'definitions') this.pending = { atUs: this.instantFrom(input.timeUs), vehicle: input.vehicle };
    this.flush();
  }

  /** No more inputs: runs the first instant at or behind the last frame. */
  finish(): void {
    if (this.frameDueUs !== Number.POSITIVE_INFINITY) this.passUpTo(this.frameDueUs);
    this.flush();
  }

  /** Frames in the order given: before each, the instants that end before it; then all up to the next instant at once. */
  private takeFrames(batch: FrameBatch): void {
    // Many frames of a layout at a time are decoded twice as fast as few, so what goes beyond one instant is decoded in advance, unless
    // other definitions will come into force on the way.
    let isAhead = false;
    let from = 0;
    while (from < batch.count) {
      const timeUs = batch.timeUs[from] as number;
      this.passBefore(timeUs);
      this.frameDueUs = Math.min(this.frameDueUs, this.instantFrom(timeUs));
      const to = this.endOfSegment(batch, from, this.dueUs(timeUs));
      if (!isAhead && to < batch.count && this.pending === undefined) {
        this.decodeAhead(batch, from);
        isAhead = true;
      }
      this.applyFrames(batch, from, to, isAhead);
      from = to;
    }
  }

  private decodeAhead(batch: FrameBatch, from: number): void {
    if (this.starts.length <= batch.count) this.starts = new Int32Array(batch.count * 2);
    this.ahead.clear();
    this.stages.decoder.decode(batch, from, batch.count, this.ahead, this.starts);
    this.starts[batch.count] = this.ahead.count;
  }

  /** Index behind the last of the frames that belong before the instant. */
  private endOfSegment(batch: FrameBatch, from: number, dueUs: number): number {
    const { timeUs, count } = batch;
    let to = from;
    let newestUs = this.newestUs;
    for (; to < count; to++) {
      const t = timeUs[to] as number;
      if (t > dueUs) break;
      if (t < newestUs) this.lateFrames++;
      else newestUs = t;
    }
    this.newestUs = newestUs;
    return to;
  }

  private applyFrames(batch: FrameBatch, from: number, to: number, isDecoded: boolean): void {
    const { decoder, table, staleness, meters } = this.stages;
    const { samples, starts } = this;
    const before = samples.count;
    if (isDecoded) samples.append(this.ahead, starts[from] as number, starts[to] as number);
    else decoder.decode(batch, from, to, samples);
    table.applySamples(samples, before, samples.count);
    meters.count(batch, from, to);
    staleness.watch();
  }

  /** Runs what is due at instants before `timeUs`; all of them are then over. */
  private passBefore(timeUs: number): void {
    for (let dueUs = this.dueUs(timeUs); dueUs < timeUs; dueUs = this.dueUs(timeUs)) this.runInstant(dueUs);
    this.passedUs = Math.max(this.passedUs, Math.ceil(timeUs / instantUs) * instantUs - instantUs);
  }

  /** Runs what is due at instants up to and including `timeUs`; all of them are then over. */
  private passUpTo(timeUs: number): void {
    for (let dueUs = this.dueUs(timeUs); dueUs <= timeUs; dueUs = this.dueUs(timeUs)) this.runInstant(dueUs);
    this.passedUs = Math.max(this.passedUs, Math.floor(timeUs / instantUs) * instantUs);
  }

  /** The next instant at which something happens; exact up to `upToUs`, behind it perhaps too early. Infinity: none before more inputs. */
  private dueUs(upToUs: number): number {
    const { staleness, meters } = this.stages;
    const pendingUs = this.pending?.atUs ?? Number.POSITIVE_INFINITY;
    const sureUs = Math.min(this.frameDueUs, meters.dueUs, this.board.dueUs, pendingUs);
    if (staleness.dueUs < sureUs && staleness.dueUs <= upToUs) staleness.sharpen();
    const wantedUs = Math.min(sureUs, staleness.dueUs);
    return wantedUs === Number.POSITIVE_INFINITY ? wantedUs : this.instantFrom(wantedUs);
  }

  /** The first instant at or behind a time that isn't over. */
  private instantFrom(timeUs: number): number {
    const behind = timeUs % instantUs;
    const atUs = behind === 0 ? timeUs : timeUs - behind + instantUs;
    return atUs > this.passedUs ? atUs : this.passedUs + instantUs;
  }

  /** One instant: definitions, staleness, derived channels, alarms, in this order. */
  private runInstant(timeUs: number): void {
    if (this.pending && this.pending.atUs <= timeUs) this.swap(timeUs, this.pending.vehicle);
    const { staleness, meters, derived, table } = this.stages;
    const { samples } = this;
    staleness.mark(timeUs, samples);
    meters.step(timeUs, table, samples);
    derived.step(timeUs, samples);
    this.board.step(timeUs);
    this.sink.instant?.(timeUs, table);
    table.settle();
    this.passedUs = timeUs;
    this.frameDueUs = Number.POSITIVE_INFINITY;
  }

  /** Puts other definitions in force. What is the same by name and text goes on as it was. */
  private swap(timeUs: number, vehicle: Vehicle): void {
    this.flush();
    this.pending = undefined;
    const before = this.stages;
    this.stages = buildStages(vehicle);
    carryOver(before, this.stages);
    this.sink.definitions?.(timeUs, vehicle, this.channels);
    this.board.define(listAlarmRules(vehicle, this.channels), this.stages.context, this.channels, timeUs);
  }

  private flush(): void {
    if (this.samples.count === 0) return;
    this.sink.samples(this.samples);
    this.samples.clear();
  }

  saveState(): PipelineState {
    const { table, meters, derived } = this.stages;
    return {
      version: stateVersion,
      times: toPlain([this.passedUs, this.newestUs, this.frameDueUs, this.lateFrames]),
      table: table.save(),
      meters: meters.save(),
      derived: derived.save(),
      fresh: derived.isFresh,
      alarms: this.board.save(),
      transport: this.stages.decoder.transport?.save() ?? [],
      pending: this.pending ? { atUs: this.pending.atUs, hash: this.pending.vehicle.hash } : null,
    };
  }

  /**
   * Takes back what `saveState` gave, in a new pipeline of the same vehicle.
   *
   * @param vehicleOf Finds a definition set by its hash; asked only when one was waiting for its instant.
   * @throws Error when the state is of another version, or that definition set isn't found.
   */
  restoreState(state: PipelineState, vehicleOf?: (hash: string) => Vehicle | undefined): void {
    if (state.version !== stateVersion) throw new Error(`pipeline state of version ${state.version}, expected ${stateVersion}`);
    const { table, staleness, meters, derived } = this.stages;
    [this.passedUs, this.newestUs, this.frameDueUs, this.lateFrames] = fromPlain(state.times) as [number, number, number, number];
    table.restore(state.table);
    staleness.resume();
    meters.restore(state.meters);
    derived.restore(state.derived as SavedComputation[]);
    derived.isFresh = state.fresh as boolean;
    this.board.restore(state.alarms);
    // States stored before messages were put together have none under way.
    this.stages.decoder.transport?.restore((state.transport ?? []) as SavedTransfer[]);
    const pending = state.pending as { atUs: number; hash: string } | null;
    const vehicle = pending ? vehicleOf?.(pending.hash) : undefined;
    if (pending && !vehicle) throw new Error(`the definition set ${pending.hash} was about to come into force, and isn't at hand`);
    this.pending = pending && vehicle ? { atUs: pending.atUs, vehicle } : undefined;
  }
}

function buildStages(vehicle: Vehicle): Stages {
  const builtIns = listBuiltIns(vehicle).made;
  const channels = describeChannels(vehicle, builtIns);
  const slots = new Map(channels.map(({ name, index }) => [name, index]));
  const table = new ChannelTable(channels.length);
  const evaluation = new Evaluation(table);
  const unitOf = (slot: number) => (channels[slot] as Channel).unit;
  const context: FormulaContext = { evaluation, slots, unitOf, tables: vehicle.tables };
  return {
    vehicle,
    channels,
    decoder: compileDecoder(vehicle),
    table,
    staleness: new Staleness(vehicle, table),
    meters: new BusMeters(vehicle, builtIns, slots),
    derived: new DerivedChannels(channels, builtIns, context),
    context,
  };
}

/** Values and states of channels whose definition is the same in both sets. */
function carryOver(from: Stages, to: Stages): void {
  const before = new Map(from.channels.map((channel) => [channel.name, channel]));
  for (const channel of to.channels) {
    const old = before.get(channel.name);
    if (old && textOf(old) === textOf(channel)) to.table.adopt(channel.index, from.table, old.index);
  }
  to.derived.restore(from.derived.save());
  const busesOf = ({ vehicle }: Stages) => vehicle.buses.map((bus) => `${bus.name} ${bus.bitRate}`).join();
  if (busesOf(from) === busesOf(to)) to.meters.restore(from.meters.save());
  if (busesOf(from) === busesOf(to)) to.decoder.transport?.restore(from.decoder.transport?.save() ?? []);
  to.staleness.resume();
}

/** What a channel's value follows from: of a signal its whole layout. */
function textOf({ kind, unit, formula, signal, frame, min, max }: Channel): string {
  const layout = signal && [signal, frame?.id, frame?.pgn, frame?.bus, frame?.extended, frame?.lengthBytes];
  return JSON.stringify([kind, unit, formula, min, max, layout], (key, value: unknown) => {
    if (key === 'at' || key === 'channel') return undefined;
    if (value instanceof Map) return [...value].map(([raw, name]) => [String(raw), name]);
    return typeof value === 'bigint' ? String(value) : value;
  });
}
