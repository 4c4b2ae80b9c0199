// One running server without its pages: sources, merge, pipeline, what is live, and the recorder, in the order a frame visits them.
import type { AlarmEvent } from './alarms/alarm-event.ts';
import type { FrameBatch } from './bus/frame-batch.ts';
import { Merge } from './bus/merge.ts';
import type { Source, SourceListener } from './bus/source.ts';
import type { Channel } from './channels/channel-list.ts';
import type { ChannelTable } from './channels/channel-table.ts';
import { hasValue } from './channels/quality.ts';
import type { SampleBatch } from './channels/sample-batch.ts';
import { type Clock, machineClock, type SessionClock } from './clock.ts';
import { Transport } from './codec/transport.ts';
import type { AlarmHistory, AlarmsView } from './contract/alarms.ts';
import type { FramesView } from './contract/frames.ts';
import type { BusStatus, RecordingStatus, StationStatus } from './contract/status.ts';
import type { VehicleView } from './contract/vehicle-view.ts';
import type { WhyView } from './contract/why.ts';
import type { WindowQuery, WindowView } from './contract/window.ts';
import { toNamePart } from './definitions/built-in-names.ts';
import type { Problem, Severity, Vehicle } from './definitions/vehicle.ts';
import { EvenburnError } from './errors.ts';
import { acknowledgeWaitMaxMs, diskWarningBytes, readerFlushIntervalMs, wallStepMinMs } from './limits.ts';
import { AlarmLog } from './live/alarm-log.ts';
import { BusLine } from './live/bus-line.ts';
import type { LiveFeed } from './live/gateway.ts';
import { LiveState } from './live/live-state.ts';
import type { RollingStore } from './live/rolling-store.ts';
import { SeenFrames } from './live/seen-frames.ts';
import { Pipeline, type PipelineSink } from './pipeline.ts';
import { instantUs, type PipelineInput } from './pipeline-input.ts';
import type { Simulation } from './simulator/simulator.ts';
import type { SimulatorSource } from './simulator/simulator-source.ts';

/** What takes the record, behind the pipeline. Never blocks, never throws for what the disk does. */
export interface InputRecorder {
  take(input: PipelineInput): void;
  status(): RecordingStatus;
  /** Ends the open session; resolves when it is on the disk. */
  stop(): Promise<void>;
}

export interface StationParts {
  vehicle: Vehicle;
  sources: readonly Source[];
  session: SessionClock;
  clock?: Clock;
  /** Without one nothing is recorded. */
  recorder?: InputRecorder;
}

/** What looks on behind the pipeline (a live check). Never blocks, never throws; batches are lent. */
export interface InputWatcher {
  take(input: PipelineInput): void;
}

/** What looks at samples as they come to be (the pull in progress). Never blocks, never throws; batches are lent. */
export interface SampleWatcher {
  samples(batch: SampleBatch): void;
  define(vehicle: Vehicle, channels: readonly Channel[]): void;
}

/** Who hears of changes that can't wait for the next tick. */
export interface StationListener {
  alarmChanged(): void;
  statusChanged(): void;
  /** Another definition set is in force: its channels have other indices. */
  definitionsChanged(): void;
}

/** Longer than this between two steps is a stall: three flushes of a reader. */
const stallUs = 3 * readerFlushIntervalMs * 1000;

const recordingTroubles: Partial<Record<RecordingStatus['state'], { name: string; severity: Severity }>> = {
  slow: { name: 'recording is slow', severity: 'caution' },
  stopped: { name: 'recording has stopped', severity: 'warning' },
};

export class Station implements LiveFeed, PipelineSink {
  private readonly clock: Clock;
  private readonly session: SessionClock;
  private readonly sources: readonly Source[];
  private readonly recorder: InputRecorder | undefined;
  private readonly pipeline: Pipeline;
  private readonly merge: Merge;
  private readonly alarmLog = new AlarmLog((timeUs) => this.wallOf(timeUs));
  private readonly lines: BusLine[];
  private live: LiveState;
  private listener: StationListener | undefined;
  private timer: NodeJS.Timeout | undefined;
  /** Wall time less session time, milliseconds; changes when somebody sets the clock. */
  private wallOffsetMs: number;
  /** Names of the alarms that stand and can't be judged. */
  private unknownAlarms = '';
  private diskProblems: readonly Problem[] = [];
  /** Session time of the newest input, and of the last mark. */
  private takenUs = 0;
  private markedUs = -1;
  private steppedUs = 0;
  private lettingIn = false;
  /** How far session time is ahead of its clock. */
  private aheadUs = 0;
  private acknowledging: { alarm: string; done: () => void }[] = [];
  /** Looks on at every input. */
  watcher: InputWatcher | undefined;
  /** Looks on at every sample. */
  sampleWatcher: SampleWatcher | undefined;
  /** How many pages are watching. */
  clients: () => number = () => 0;

  constructor(parts: StationParts) {
    this.clock = parts.clock ?? machineClock;
    this.session = parts.session;
    this.sources = parts.sources;
    this.recorder = parts.recorder;
    this.wallOffsetMs = this.clock.wallMs() - this.session.nowUs() / 1000;
    this.pipeline = new Pipeline(parts.vehicle, this);
    this.live = new LiveState(parts.vehicle, this.pipeline.channels, 1, new SeenFrames(this.findFrame, new Transport(parts.vehicle)));
    this.lines = parts.vehicle.buses.map(
      ({ name, index }) =>
        new BusLine(
          name,
          parts.sources.find((source) => source.bus === index),
        ),
    );
    this.merge = new Merge(parts.sources.map((source) => source.bus));
  }

  /** Opens the sources; frames begin to flow. */
  start(listener: StationListener): void {
    this.listener = listener;
    this.take({ kind: 'clock', timeUs: 0, wallMs: this.wallOf(0) });
    for (const source of this.sources) source.start(this.listenTo(source.bus));
    this.timer = setInterval(() => this.step(), readerFlushIntervalMs);
  }

  /** Ends the sources, applies what has come, and closes the session; resolves when it is on the disk. */
  async stop(): Promise<void> {
    // A source may take its time to hand over what the kernel still holds: meanwhile the others are watched and recorded as ever.
    const ends = this.sources.map((source) => source.stop().then(() => this.merge.end(source.bus)));
    await Promise.all(ends);
    clearInterval(this.timer);
    this.step();
    this.listener = undefined;
    await this.recorder?.stop();
  }

  /** The simulation behind the simulated buses, for faults put in while it runs; undefined when no bus is simulated. */
  get simulation(): Simulation | undefined {
    return this.sources.map((source) => (source as Partial<SimulatorSource>).simulation).find((simulation) => simulation !== undefined);
  }

  /**
   * Puts another definition set in force from the next instant on. One with other buses can't be, since sources are opened at the start:
   * it is shown as a problem, and the set in force stays.
   */
  define(vehicle: Vehicle): void {
    const problem = busProblem(this.vehicle, vehicle);
    if (problem?.severity !== 'error') this.take({ kind: 'definitions', timeUs: this.takenUs, vehicle });
    this.showProblems(problem ? [problem] : []);
  }

  /** The files on disk have errors: the last good set stays in force, and pages show them. */
  showProblems(problems: readonly Problem[]): void {
    this.diskProblems = problems;
    this.listener?.statusChanged();
  }

  /** The recorder says how it does: trouble with the disk is an alarm like any other. */
  recordingChanged(status: RecordingStatus): void {
    const before = this.alarmVersion;
    const trouble = recordingTroubles[status.state];
    for (const { name } of Object.values(recordingTroubles)) if (name !== trouble?.name) this.alarmLog.clear(name, this.takenUs);
    if (trouble) this.alarmLog.raise({ ...trouble, advice: status.detail }, this.takenUs);
    if (this.alarmVersion !== before) this.listener?.alarmChanged();
    this.listener?.statusChanged();
  }

  /** Space left on the disk of the recordings: told long before it runs out. */
  spaceChanged(freeBytes: number): void {
    const before = this.alarmVersion;
    const name = 'disk almost full';
    const advice = `${(freeBytes / 1e9).toFixed(1)} GB are left for recordings: delete or move old sessions.`;
    if (freeBytes < diskWarningBytes) this.alarmLog.raise({ name, severity: 'advisory', advice }, this.takenUs);
    else this.alarmLog.clear(name, this.takenUs);
    if (this.alarmVersion !== before) this.listener?.alarmChanged();
  }

  // What the pipeline hands over (PipelineSink).

  samples(batch: SampleBatch): void {
    this.live.store.append(batch);
    this.sampleWatcher?.samples(batch);
  }

  alarm(event: AlarmEvent): void {
    this.alarmLog.take(event);
    if (event.event !== 'acknowledged' && event.event !== 'removed') return;
    for (const waiting of this.acknowledging) if (waiting.alarm === event.alarm) waiting.done();
  }

  instant(timeUs: number, table: ChannelTable): void {
    this.live.snapshot.take(timeUs, table);
  }

  definitions(timeUs: number, vehicle: Vehicle, channels: readonly Channel[]): void {
    this.live.seen.define(this.findFrame, new Transport(vehicle));
    this.live = new LiveState(vehicle, channels, this.live.epoch + 1, this.live.seen);
    this.live.adopt(this.pipeline.table, timeUs);
    this.sampleWatcher?.define(vehicle, channels);
    this.listener?.definitionsChanged();
  }

  // What the gateway reads (LiveFeed).

  get store(): RollingStore {
    return this.live.store;
  }

  get epoch(): number {
    return this.live.epoch;
  }

  get alarmVersion(): number {
    return this.alarmLog.version;
  }

  get alarmSequence(): number {
    return this.alarmLog.sequence;
  }

  wallMs(): number {
    return this.clock.wallMs();
  }

  /** Session time of the newest input, microseconds. */
  timeUs(): number {
    return this.takenUs;
  }

  monotonicMs(): number {
    return this.clock.monotonicUs() / 1000;
  }

  alarms(): AlarmsView {
    return this.alarmLog.view(this.pipeline.alarms);
  }

  status(): StationStatus {
    const { seen, store } = this.live;
    return {
      mode: 'live',
      buses: this.lines.map((line, bus) => line.toStatus(store.timeUs, this.loadOf(line.bus), seen.counts(bus))),
      recording: this.recorder?.status() ?? { state: 'off', session: null, startedWallMs: null, detail: 'Nothing is recorded.' },
      definitionProblems: this.diskProblems.filter(({ severity }) => severity === 'error').length,
      clients: this.clients(),
    };
  }

  // What routes ask.

  /** Channels of the definitions in force, by index. */
  get channels(): readonly Channel[] {
    return this.pipeline.channels;
  }

  get vehicle(): Vehicle {
    return this.live.vehicle;
  }

  vehicleView(): VehicleView {
    return this.live.vehicleView(this.diskProblems);
  }

  frames(): FramesView {
    return this.live.framesView();
  }

  /** @throws EvenburnError LIVE_CHANNEL_UNKNOWN */
  why(channel: string): WhyView {
    return this.live.why(channel, (timeUs) => this.wallOf(timeUs));
  }

  /** @throws EvenburnError LIVE_CHANNEL_UNKNOWN, REQUEST_WRONG */
  window(query: WindowQuery): WindowView {
    return this.live.window(query);
  }

  /** What stands, and the events after number `after`. */
  alarmHistory(after: number): AlarmHistory {
    return this.alarmLog.history(this.pipeline.alarms, after);
  }

  /**
   * Acknowledges an alarm that stands; resolves when it has taken effect, at the next instant.
   * @throws EvenburnError ALARM_NOT_STANDING
   */
  async acknowledge(alarm: string, by: string): Promise<void> {
    if (this.alarmLog.acknowledge(alarm, by, this.takenUs)) {
      this.listener?.alarmChanged();
      return;
    }
    const standing = this.pipeline.alarms.standing.find(({ name }) => name === alarm);
    if (!standing) throw new EvenburnError('ALARM_NOT_STANDING', { alarm });
    if (standing.acknowledged) return;
    const taken = new Promise<void>((resolve) => {
      const waiting = { alarm, done: resolve };
      this.acknowledging.push(waiting);
      setTimeout(resolve, acknowledgeWaitMaxMs).unref();
    });
    this.take({ kind: 'acknowledge', timeUs: this.takenUs, alarm, by });
    await taken;
    this.acknowledging = this.acknowledging.filter((waiting) => waiting.alarm !== alarm);
  }

  private readonly findFrame = (bus: number, id: number, flags: number) => this.pipeline.findFrame(bus, id, flags);

  private wallOf(timeUs: number): number {
    return Math.round(timeUs / 1000 + this.wallOffsetMs);
  }

  private loadOf(bus: string): number | null {
    const channel = this.live.channelNamed(`bus_load_${toNamePart(bus)}`);
    return channel && hasValue(this.store.quality[channel.index] as number) ? (this.store.value[channel.index] as number) : null;
  }

  private listenTo(bus: number): SourceListener {
    const line = this.lines[bus] as BusLine;
    const set = (state: BusStatus['state'], detail: string) => {
      line.state = state;
      line.detail = detail;
      this.listener?.statusChanged();
    };
    return {
      frames: (batch, watermarkUs) => this.merge.add(bus, batch, watermarkUs),
      state: (state, detail) => {
        set(state, detail);
        this.take({ kind: 'source', timeUs: this.takenUs, bus, state, detail });
      },
      loss: (place, count) => {
        this.take({ kind: 'loss', timeUs: this.takenUs, bus, place, count });
      },
      status: (status) => {
        line.line = status;
        this.listener?.statusChanged();
      },
      end: () => {
        this.endLane(bus);
        set('ended', line.detail);
      },
      failed: (error) => {
        this.endLane(bus);
        set('failed', error instanceof EvenburnError ? `${error.message}. ${error.cure}` : error.message);
      },
    };
  }

  /**
   * Takes what the merge has in order, and lets time pass where nothing came: silence is news. After a stall of this process the readers'
   * frames are still in their pipes: they are let in first, or the merge would give up waiting for what is here already.
   */
  private step(): void {
    const nowUs = this.session.nowUs();
    if (nowUs - this.steppedUs > stallUs && !this.lettingIn) {
      this.lettingIn = true;
      setImmediate(() => this.timer && this.step());
      return;
    }
    this.lettingIn = false;
    this.steppedUs = nowUs;
    this.watchWallClock();
    this.merge.step(this.session.nowUs() + this.aheadUs, (input) => {
      if (input.kind !== 'mark') this.take(input);
      else if (this.marksInstant(input.timeUs)) this.take({ kind: 'mark', timeUs: instantBefore(input.timeUs) });
    });
  }

  /** A mark says something new only when an instant has passed that no later frame has told of: others would swell the record. */
  private marksInstant(timeUs: number): boolean {
    const instant = instantBefore(timeUs);
    return instant > this.markedUs && instant >= this.takenUs;
  }

  /** A file read faster than it was recorded ends ahead of the clock; time goes on from there, so that its values grow stale. */
  private endLane(bus: number): void {
    this.merge.end(bus);
    this.step();
    this.aheadUs = Math.max(this.aheadUs, this.takenUs - this.session.nowUs());
  }

  /** The stages in the order in which a frame visits them. Publishing comes before recording. */
  private take(input: PipelineInput): void {
    const before = this.alarmVersion;
    if (input.kind === 'frames') this.countFrames(input.batch);
    else this.takenUs = Math.max(this.takenUs, input.timeUs);
    if (input.kind === 'mark') this.markedUs = input.timeUs;
    if (input.kind === 'loss') (this.lines[input.bus] as BusLine).loss[input.place] += input.count;
    this.pipeline.take(input);
    this.store.advance(this.takenUs);
    this.watchUnknown();
    if (this.alarmVersion !== before) this.listener?.alarmChanged();
    this.recorder?.take(input);
    this.watcher?.take(input);
  }

  /** That an alarm which stands can't be judged any more, or can again, is no event of it, and pages must show it all the same. */
  private watchUnknown(): void {
    const { standing } = this.pipeline.alarms;
    const unknown = standing.flatMap((alarm) => (alarm.unknown ? [alarm.name] : [])).join();
    if (unknown === this.unknownAlarms) return;
    this.unknownAlarms = unknown;
    this.alarmLog.touch();
  }

  private countFrames(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) {
      this.lines[batch.bus[i] as number]?.take(batch, i);
      if ((batch.timeUs[i] as number) > this.takenUs) this.takenUs = batch.timeUs[i] as number;
    }
    this.live.seen.take(batch);
  }

  /** Wall time is a label; somebody setting the clock is recorded as a new pair. */
  private watchWallClock(): void {
    const offsetMs = this.clock.wallMs() - this.session.nowUs() / 1000;
    if (Math.abs(offsetMs - this.wallOffsetMs) < wallStepMinMs) return;
    this.wallOffsetMs = offsetMs;
    this.take({ kind: 'clock', timeUs: this.takenUs, wallMs: this.wallOf(this.takenUs) });
  }
}

function instantBefore(timeUs: number): number {
  return timeUs - (timeUs % instantUs);
}

/** What another set's buses mean for a server that listens already; undefined when they are the same. */
function busProblem(running: Vehicle, saved: Vehicle): Problem | undefined {
  const names = (vehicle: Vehicle) => vehicle.buses.map(({ name }) => name).join();
  const lines = (vehicle: Vehicle) => vehicle.buses.map((bus) => `${bus.bitRate} ${bus.dataBitRate} ${bus.interface}`).join();
  const at = saved.buses[0]?.at;
  const isOther = names(running) !== names(saved);
  if (!at || (!isOther && lines(running) === lines(saved))) return undefined;
  return {
    ...at,
    code: 'BUSES_CHANGED',
    severity: isOther ? 'error' : 'warning',
    found: 'buses',
    endColumn: at.column + 1,
    say: isOther ? 'these are other buses than the server listens to' : 'bit rates or interfaces differ from those at the start',
    fix: isOther ? 'Start the server again.' : 'Sources stay as they were opened; start again to open them anew.',
  };
}
