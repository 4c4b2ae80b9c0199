// The checks on the live bus as the main thread sees them: one at a time, the same for every browser, judged in a worker.
import { Worker } from 'node:worker_threads';
import type { WatchEvent } from '../checks/bus-watch.ts';
import type { JudgeOptions } from '../checks/gathered-check.ts';
import { judgeUnplugs, judgeWiggle, type MovedBranch } from '../checks/hand-tests.ts';
import type { UnplugStep } from '../checks/unplug-test.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { WatchEventView, WatchView } from '../contract/checks.ts';
import type { Device, Vehicle } from '../definitions/vehicle.ts';
import { entryPath } from '../entries.ts';
import { EvenburnError } from '../errors.ts';
import { checkQueueFramesMax, watchEventsMax } from '../limits.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { type FromCheckWorker, type GatheringStart, type ToCheckWorker, toPlainBatch } from './check-messages.ts';

/** What it asks of the running station. */
export interface CheckedStation {
  vehicle: Vehicle;
  /** Session time of the newest input, microseconds. */
  timeUs(): number;
  wallMs(): number;
}

/** The running check as far as its judging goes; what a person did in it is `guided-checks.ts`. */
export interface GatheringState {
  check: string;
  startedWallMs: number;
  /** Session time at which it began, microseconds; before this session's beginning for one that outlived a new start. */
  startedUs: number;
  seconds: number;
  result: CheckResult | null;
  full: boolean;
  unseenFrames: number;
  definitionHash: string;
}

interface Running {
  check: string;
  options: JudgeOptions;
  startedUs: number;
  startedWallMs: number;
  vehicle: Vehicle;
  result: CheckResult | null;
  full: boolean;
  unseen: number;
  finished: (() => void) | undefined;
}

interface Watching {
  startedUs: number;
  startedWallMs: number;
  vehicle: Vehicle;
  branch: string;
  /** The last one is being moved. */
  moved: MovedBranch[];
  silent: string[];
  limping: string[];
  absent: string[];
  unplugs: UnplugStep[];
  events: WatchEventView[];
  unseen: number;
}

/** A finished check, to be stored. */
export interface FinishedCheck {
  state: GatheringState;
  vehicle: string;
  result: CheckResult;
}

/** A finished wiggle or unplug test, to be stored. */
export interface FinishedWatch {
  check: 'wiggle' | 'unplug';
  startedWallMs: number;
  seconds: number;
  vehicle: string;
  definitionHash: string;
  unseenFrames: number;
  result: CheckResult;
}

function closeMoved({ moved }: Watching, nowUs: number): void {
  const last = moved.at(-1);
  if (last && last.toUs === last.fromUs) last.toUs = nowUs;
}

function isPeriodic({ frames }: Device): boolean {
  return frames.some(({ periodUs }) => periodUs !== undefined);
}

/** Takes the pipeline's inputs behind the pipeline; costs the calling thread one copy of each batch, and that only while something runs. */
export class LiveChecks {
  private readonly station: CheckedStation;
  private worker: Worker | undefined;
  private running: Running | undefined;
  private watching: Watching | undefined;
  private number = 0;
  /** Told of every judgement but the last. */
  onResult: (result: CheckResult) => void = () => {};
  private inFlight = 0;
  private readonly listeners = new Set<(view: WatchView) => void>();

  constructor(station: CheckedStation) {
    this.station = station;
  }

  /** Never waits, never throws. */
  take(input: PipelineInput): void {
    if (!this.running && !this.watching) return;
    if (input.kind === 'frames') this.takeFrames(input.batch);
    else if (input.kind === 'mark') this.send({ kind: 'mark', timeUs: input.timeUs });
    else if (input.kind === 'loss') this.countUnseen(input.count, input.place === 'late');
  }

  /**
   * @param vehicle With what the check's steps add to it; the one in force by default.
   * @param resumed Of a check that outlived a new start of the server.
   * @throws EvenburnError CHECK_RUNNING
   */
  start(check: string, options: JudgeOptions = {}, vehicle = this.station.vehicle, resumed?: GatheringStart['resumed']): void {
    if (this.running) throw new EvenburnError('CHECK_RUNNING', { check: this.running.check });
    const startedUs = resumed ? -resumed.shiftUs : this.station.timeUs();
    const startedWallMs = resumed?.begunWallMs ?? this.station.wallMs();
    const begin = { result: null, full: false, unseen: 0, finished: undefined };
    this.running = { check, options, startedUs, startedWallMs, vehicle, ...begin };
    this.send({ kind: 'check', check, vehicle, fromUs: startedUs, options, ...(resumed ? { resumed } : {}) });
  }

  /** Null while none runs. */
  state(): GatheringState | null {
    return this.running ? this.toState(this.running) : null;
  }

  /** The steps of the running check went on. */
  setOptions(options: JudgeOptions): void {
    if (!this.running) return;
    this.running.options = options;
    this.send({ kind: 'options', options });
  }

  /**
   * Judges for the last time. @throws EvenburnError CHECK_NOT_RUNNING
   */
  async finish(): Promise<FinishedCheck> {
    const { running } = this;
    if (!running || running.finished) throw new EvenburnError('CHECK_NOT_RUNNING');
    await new Promise<void>((resolve) => {
      running.finished = resolve;
      this.send({ kind: 'finish' });
    });
    const { result } = running;
    if (this.running === running) this.running = undefined;
    if (!result) throw new EvenburnError('CHECK_NOT_RUNNING');
    return { state: this.toState(running), vehicle: running.vehicle.name, result };
  }

  /** Forgets the running check. @throws EvenburnError CHECK_NOT_RUNNING */
  drop(): void {
    if (!this.running) throw new EvenburnError('CHECK_NOT_RUNNING');
    this.running = undefined;
    this.send({ kind: 'finish' });
  }

  /** Begins to watch for a wiggle or unplug test; what was seen before is forgotten. */
  startWatch(channels: string[]): WatchView {
    const begin = { startedUs: this.station.timeUs(), startedWallMs: this.station.wallMs(), vehicle: this.station.vehicle };
    const nothing = { branch: '', moved: [], silent: [], limping: [], absent: [], unplugs: [], events: [], unseen: 0 };
    this.watching = { ...begin, ...nothing };
    this.number = 0;
    this.send({ kind: 'watch', vehicle: this.station.vehicle, channels });
    this.tellWatch([]);
    return this.watch();
  }

  stopWatch(): void {
    this.watching = undefined;
    this.send({ kind: 'unwatch' });
    this.tellWatch([]);
  }

  /** @throws EvenburnError CHECK_NOT_RUNNING */
  setBranch(branch: string): WatchView {
    const watching = this.getWatching();
    const nowUs = this.station.timeUs();
    closeMoved(watching, nowUs);
    watching.branch = branch;
    if (branch !== '') watching.moved.push({ branch, fromUs: nowUs, toUs: nowUs });
    this.tellWatch([]);
    return this.watch();
  }

  /** @throws EvenburnError CHECK_NOT_RUNNING, DEVICE_UNKNOWN */
  unplug(device: string): WatchView {
    const watching = this.getWatching();
    const devices = this.station.vehicle.buses.flatMap((bus) => bus.devices.map(({ name }) => name));
    if (!devices.includes(device)) throw new EvenburnError('DEVICE_UNKNOWN', { device });
    watching.unplugs.push({ device, phase: 'waiting', others: [], say: `Unplug ${device} now.` });
    this.send({ kind: 'unplug', device });
    this.tellWatch([]);
    return this.watch();
  }

  /**
   * Judges a wiggle or unplug test and ends it. What happened while no branch was named counts for the wiggle test too.
   * @throws EvenburnError CHECK_NOT_RUNNING
   */
  finishWatch(test: 'wiggle' | 'unplug'): FinishedWatch {
    const watching = this.getWatching();
    const { startedUs, startedWallMs, vehicle, moved, events, unplugs, absent, unseen } = watching;
    const endedUs = this.station.timeUs();
    closeMoved(watching, endedUs);
    const unnamed = events.some(({ branch, kind }) => branch === '' && kind !== 'back');
    const all = unnamed ? [...moved, { branch: '', fromUs: startedUs, toUs: moved[0]?.fromUs ?? endedUs }] : moved;
    const devices = vehicle.buses.flatMap((bus) => bus.devices.filter(isPeriodic).map(({ name }) => name));
    const watched = { startedUs, endedUs, moved: all, events, unplugs, absent, devices };
    this.stopWatch();
    const result = test === 'wiggle' ? judgeWiggle(watched) : judgeUnplugs(watched);
    const seconds = (endedUs - startedUs) / 1e6;
    return { check: test, startedWallMs, seconds, vehicle: vehicle.name, definitionHash: vehicle.hash, unseenFrames: unseen, result };
  }

  watch(): WatchView {
    return this.toWatchView(this.watching?.events ?? []);
  }

  /** Calls back at once with every change; returns what ends it. */
  listen(listener: (view: WatchView) => void): () => void {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }

  async close(): Promise<void> {
    this.running = undefined;
    this.watching = undefined;
    await this.worker?.terminate();
  }

  private getWatching(): Watching {
    if (!this.watching) throw new EvenburnError('CHECK_NOT_RUNNING');
    return this.watching;
  }

  private takeFrames(batch: Parameters<typeof toPlainBatch>[0]): void {
    if (this.inFlight + batch.count > checkQueueFramesMax) {
      this.countUnseen(batch.count);
      return;
    }
    const { plain, buffers } = toPlainBatch(batch);
    this.inFlight += batch.count;
    this.send({ kind: 'frames', batch: plain }, buffers);
  }

  /** A late frame comes all the same: only a test that watches the moment has not seen it in its time. */
  private countUnseen(frames: number, late = false): void {
    if (this.running && !late) this.running.unseen += frames;
    if (this.watching) this.watching.unseen += frames;
  }

  private send(message: ToCheckWorker, transfer: ArrayBuffer[] = []): void {
    this.worker ??= this.startWorker();
    this.worker.postMessage(message, transfer);
  }

  private startWorker(): Worker {
    const worker = new Worker(entryPath('checks'));
    worker.unref();
    worker.on('message', (message: FromCheckWorker) => this.hear(message));
    worker.on('error', (error) => this.workerDied(error));
    return worker;
  }

  private hear(message: FromCheckWorker): void {
    if (message.kind === 'taken') this.inFlight -= message.frames;
    else if (message.kind === 'events') this.hearEvents(message.events);
    else if (message.kind === 'devices') this.hearDevices(message);
    else if (this.running && (this.running.finished !== undefined || !message.last)) {
      this.running.result = message.result;
      this.running.full = message.full;
      if (!message.last) this.onResult(message.result);
      if (message.last) this.running.finished?.();
    }
  }

  private hearEvents(events: readonly WatchEvent[]): void {
    const { watching } = this;
    if (!watching) return;
    const offsetMs = this.station.wallMs() - this.station.timeUs() / 1000;
    const numbered = events.map((event) => ({
      ...event,
      number: ++this.number,
      branch: watching.branch,
      wallMs: Math.round(event.timeUs / 1000 + offsetMs),
    }));
    watching.events = [...watching.events, ...numbered].slice(-watchEventsMax);
    this.tellWatch(numbered);
  }

  private hearDevices({ silent, limping, absent, unplug }: FromCheckWorker & { kind: 'devices' }): void {
    const { watching } = this;
    if (!watching) return;
    Object.assign(watching, { silent, limping, absent });
    const last = watching.unplugs.at(-1);
    if (unplug && last?.device === unplug.device) watching.unplugs[watching.unplugs.length - 1] = unplug;
    this.tellWatch([]);
  }

  /** A fault of ours in judging must not take the server with it: the check ends, and says so by not being there any more. */
  private workerDied(error: Error): void {
    process.stderr.write(`evenburn: the worker of the checks ended: ${error.stack ?? error.message}\n`);
    this.worker = undefined;
    this.inFlight = 0;
    this.running?.finished?.();
    this.running = undefined;
    this.watching = undefined;
    this.tellWatch([]);
  }

  private tellWatch(events: WatchEventView[]): void {
    if (this.listeners.size === 0) return;
    const view = this.toWatchView(events);
    for (const listener of this.listeners) listener(view);
  }

  private toWatchView(events: WatchEventView[]): WatchView {
    const { watching } = this;
    return {
      watching: watching !== undefined,
      branch: watching?.branch ?? '',
      silent: watching?.silent ?? [],
      limping: watching?.limping ?? [],
      absent: watching?.absent ?? [],
      unplugs: watching?.unplugs ?? [],
      newest: this.number,
      events,
      unseenFrames: watching?.unseen ?? 0,
    };
  }

  private toState({ check, startedUs, startedWallMs, vehicle, result, full, unseen }: Running): GatheringState {
    return {
      check,
      startedWallMs,
      startedUs,
      seconds: Math.max(0, this.station.timeUs() - startedUs) / 1e6,
      result,
      full,
      unseenFrames: unseen,
      definitionHash: vehicle.hash,
    };
  }
}
