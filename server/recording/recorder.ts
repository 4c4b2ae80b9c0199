// The recorder as the main process sees it: takes the pipeline's inputs, never waits, and says what became of them.
import { Worker } from 'node:worker_threads';
import { type Clock, machineClock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { entryPath } from '../entries.ts';
import { diskAgeMaxMs, handOverAgeMs, handOverBytesMax, recorderQueueBytesMax } from '../limits.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import type { OtherInput } from './input-log.ts';
import { JournalWriter } from './journal.ts';
import { toError } from './plain-error.ts';
import type { FromRecorder, InputsMessage, KeepSessions, RecorderStatus, ToRecorder } from './recorder-messages.ts';

export type { RecorderStatus } from './recorder-messages.ts';

export interface RecorderOptions {
  clock?: Clock;
  /** Called when the status changes. */
  onStatus?: (status: RecorderStatus) => void;
  /** Called every ten seconds with the space left on the disk. */
  onSpace?: (freeBytes: number) => void;
  keep?: KeepSessions;
  /** Inputs on their way beyond which frames are dropped and counted; for tests. */
  queueBytesMax?: number;
}

/** Numbers since the recorder was opened. */
export interface RecorderFigures {
  commits: number;
  recordedFrames: number;
  /** Dropped by the bounded queue: the disk was too slow for too long. */
  droppedFrames: number;
  /** Came while recording had stopped. */
  unrecordedFrames: number;
  /** Commits whose oldest input was on the disk later than `diskAgeMaxMs` after it was taken. */
  slowCommits: number;
  /** From being taken to being on the disk: of the last commit, and the greatest. */
  lastAgeMs: number;
  ageMaxMs: number;
  /** Inputs on their way to the disk. */
  queueBytes: number;
}

/** Records what it is given into DATA/sessions, in a worker. A session opens with the first frame and closes after a minute without one. */
export class Recorder {
  readonly figures: RecorderFigures = {
    commits: 0,
    recordedFrames: 0,
    droppedFrames: 0,
    unrecordedFrames: 0,
    slowCommits: 0,
    lastAgeMs: 0,
    ageMaxMs: 0,
    queueBytes: 0,
  };
  private readonly worker: Worker;
  private readonly options: RecorderOptions;
  private readonly clock: Clock;
  private readonly journal = new JournalWriter();
  private events: OtherInput[] = [];
  private takenUs = 0;
  private lastUs = 0;
  private lastFrameUs = 0;
  private timer: NodeJS.Timeout | undefined;
  private current: RecorderStatus = { state: 'idle', session: null, startedWallMs: null, detail: '' };
  /** Frames dropped and not yet told to the record, by bus. */
  private readonly dropped = new Map<number, number>();
  private calls = 0;
  private readonly waiting = new Map<number, { resolve: (result: unknown) => void; reject: (error: Error) => void }>();
  private ended: (() => void) | undefined;
  private stopping: Promise<void> | undefined;
  private hasEnded = false;

  private constructor(worker: Worker, options: RecorderOptions) {
    this.worker = worker;
    this.options = options;
    this.clock = options.clock ?? machineClock;
  }

  /**
   * Takes the data folder for this process and starts the worker. What a killed program left open is finished in the background.
   * @param vehicle The definitions in force before the first input: the reading's pipeline is made of them. They may still be on their way
   *   while the worker starts; nothing is taken before they are there.
   * @throws EvenburnError DATA_IN_USE, DATA_UNWRITABLE, SQLITE_TOO_OLD
   */
  static open(data: string, vehicle: Vehicle | Promise<Vehicle>, options: RecorderOptions = {}): Promise<Recorder> {
    const worker = new Worker(entryPath('recorder'), { workerData: { data, keep: options.keep ?? {} } });
    const recorder = new Recorder(worker, options);
    // A vehicle that can't be read is its reader's to tell; this recorder is then stopped without having begun.
    Promise.resolve(vehicle).then(
      (known) => recorder.send({ kind: 'begin', vehicle: known }),
      () => undefined,
    );
    return new Promise((resolve, reject) => {
      worker.on('message', (message: FromRecorder) => {
        if (message.kind === 'ready') resolve(recorder);
        else if (message.kind === 'failed') reject(toError(message.error));
        else recorder.hear(message);
      });
      worker.on('error', (error) => {
        recorder.fail(error);
        reject(error);
      });
      worker.on('exit', () => recorder.end());
    });
  }

  status(): RecorderStatus {
    return this.current;
  }

  /** Takes one input; what it holds is copied. Never blocks and never throws. */
  take(input: PipelineInput): void {
    if (this.hasEnded) {
      if (input.kind === 'frames') this.figures.unrecordedFrames += input.batch.count;
      return;
    }
    if (this.isFull && (input.kind === 'frames' || input.kind === 'mark')) {
      this.drop(input);
      return;
    }
    this.tellDropped(input);
    if (this.journal.out.length === 0) this.begin();
    this.journal.take(input);
    this.note(input);
    const isOld = this.clock.monotonicUs() - this.takenUs >= handOverAgeMs * 1000;
    if (isOld || this.journal.out.length >= handOverBytesMax) this.handOver();
  }

  /** Asks the worker to do something to a stored session; it is the only one that writes. */
  call(name: string, ...args: unknown[]): Promise<unknown> {
    const call = ++this.calls;
    return new Promise((resolve, reject) => {
      if (this.hasEnded) reject(new Error('the recorder has ended'));
      this.waiting.set(call, { resolve, reject });
      this.send({ kind: 'call', call, name, args });
    });
  }

  /** How good each bus's time stamps are, before the first input: sessions say so. */
  describeStamps(stamps: Record<string, string>): void {
    this.send({ kind: 'stamps', stamps });
  }

  /** Records what was taken, closes the session and lets go of the folder; resolves when all is on the disk. */
  stop(): Promise<void> {
    this.stopping ??= new Promise((resolve) => {
      this.handOver();
      this.ended = resolve;
      if (this.hasEnded) resolve();
      else this.send({ kind: 'close' });
    });
    return this.stopping;
  }

  private get isFull(): boolean {
    return this.figures.queueBytes + this.journal.out.length > (this.options.queueBytesMax ?? recorderQueueBytesMax);
  }

  private note(input: PipelineInput): void {
    if (input.kind === 'frames') {
      const { batch } = input;
      if (batch.count > 0) this.lastFrameUs = Math.max(this.lastFrameUs, batch.timeUs[batch.count - 1] as number);
      this.lastUs = Math.max(this.lastUs, this.lastFrameUs);
      return;
    }
    this.lastUs = Math.max(this.lastUs, input.timeUs);
    if (input.kind !== 'mark') this.events.push(input);
  }

  private begin(): void {
    this.takenUs = this.clock.monotonicUs();
    this.timer = setTimeout(() => this.handOver(), handOverAgeMs);
    this.timer.unref();
  }

  private handOver(): void {
    clearTimeout(this.timer);
    if (this.journal.out.length === 0) return;
    const bytes = this.journal.out.taken();
    const { takenUs, lastUs, lastFrameUs, events } = this;
    const message: InputsMessage = { kind: 'inputs', bytes, frames: this.journal.frameCount, takenUs, lastUs, lastFrameUs, events };
    this.figures.queueBytes += bytes.length;
    this.journal.clear();
    this.events = [];
    this.worker.postMessage(message, [bytes.buffer as ArrayBuffer]);
  }

  private send(message: ToRecorder): void {
    this.worker.postMessage(message);
  }

  private drop(input: PipelineInput): void {
    if (input.kind !== 'frames') return;
    const { batch } = input;
    for (let i = 0; i < batch.count; i++) {
      const bus = batch.bus[i] as number;
      this.dropped.set(bus, (this.dropped.get(bus) ?? 0) + 1);
    }
    this.figures.droppedFrames += batch.count;
  }

  /** Puts into the record that frames are missing, before the first input behind the gap. */
  private tellDropped(next: PipelineInput): void {
    if (this.dropped.size === 0) return;
    const timeUs = next.kind === 'frames' ? (next.batch.timeUs[0] ?? 0) : next.timeUs;
    const losses = [...this.dropped];
    this.dropped.clear();
    for (const [bus, count] of losses) this.take({ kind: 'loss', timeUs, bus, place: 'queue', count });
  }

  private hear(message: FromRecorder): void {
    const { figures } = this;
    if (message.kind === 'done') figures.queueBytes -= message.bytes;
    else if (message.kind === 'unrecorded') figures.unrecordedFrames += message.frames;
    else if (message.kind === 'status') this.changeStatus(message.status);
    else if (message.kind === 'space') this.options.onSpace?.(message.freeBytes);
    else if (message.kind === 'answer') this.answer(message);
    else if (message.kind === 'committed') {
      figures.commits++;
      figures.recordedFrames += message.frames;
      figures.lastAgeMs = message.ageMs;
      figures.ageMaxMs = Math.max(figures.ageMaxMs, message.ageMs);
      if (message.ageMs > diskAgeMaxMs) figures.slowCommits++;
    }
  }

  private answer(message: Extract<FromRecorder, { kind: 'answer' }>): void {
    const waiting = this.waiting.get(message.call);
    this.waiting.delete(message.call);
    if (message.error) waiting?.reject(toError(message.error));
    else waiting?.resolve(message.result);
  }

  private changeStatus(status: RecorderStatus): void {
    this.current = status;
    this.options.onStatus?.(status);
  }

  private fail(error: Error): void {
    this.changeStatus({
      state: 'stopped',
      session: null,
      startedWallMs: null,
      detail: `The recorder failed (${error.message}). Start again.`,
    });
  }

  private end(): void {
    this.hasEnded = true;
    clearTimeout(this.timer);
    for (const { reject } of this.waiting.values()) reject(new Error('the recorder has ended'));
    this.waiting.clear();
    this.ended?.();
  }
}
