// The recorder's work, in its worker: commits on time, opens and closes sessions, and stops and starts again with the disk.
import type { Clock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';
import { commitAgeMaxMs, diskAgeMaxMs, diskLookIntervalMs, diskReserveBytes, sessionSilenceMaxS } from '../limits.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { freeBytes, sessionPath, takeSessionNumber } from './data-folder.ts';
import { InputLog } from './input-log.ts';
import { JournalWriter, visitJournal } from './journal.ts';
import { type LoadVehicle, PipelineRun } from './pipeline-run.ts';
import type { FromRecorder, InputsMessage, RecorderStatus } from './recorder-messages.ts';
import { findUnfinished, finishKilled } from './recovery.ts';
import { type SessionNotes, startingFacts } from './session-facts.ts';
import { SessionWriter } from './session-writer.ts';

export interface CoreOptions {
  data: string;
  clock: Clock;
  /** Version of this program, stored with the reading. */
  program: string;
  load: LoadVehicle;
  tell: (message: FromRecorder) => void;
  /** Called when a session has become one file. */
  sessionClosed: () => void;
}

type InputOf<K extends PipelineInput['kind']> = Extract<PipelineInput, { kind: K }>;

const idle: RecorderStatus = { state: 'idle', session: null, startedWallMs: null, detail: '' };

export class RecorderCore {
  private readonly options: CoreOptions;
  private readonly vehicles = new Map<string, Vehicle>();
  // What a session must begin with, wherever in a run it opens.
  private vehicle: Vehicle;
  private stamps: Record<string, string> = {};
  private clockPair: InputOf<'clock'> | undefined;
  private readonly sources = new Map<number, InputOf<'source'>>();
  private readonly run: PipelineRun;
  private session: SessionWriter | undefined;
  private waiting: InputsMessage[] = [];
  private timer: NodeJS.Timeout | undefined;
  /** Session time of the newest input, and of the newest frame. */
  private nowUs = 0;
  private lastFrameUs = 0;
  private status: RecorderStatus = idle;
  /** While recording has stopped: monotonic time at which to try again. */
  private tryAgainUs: number | undefined;
  private lookedUs = Number.NEGATIVE_INFINITY;
  private closing: Promise<void> = Promise.resolve();
  private slicing = false;

  /** @param vehicle The definitions in force before the first input. */
  constructor(options: CoreOptions, vehicle: Vehicle) {
    this.options = options;
    this.vehicle = vehicle;
    this.vehicles.set(vehicle.hash, vehicle);
    this.run = new PipelineRun(vehicle);
  }

  /** Session that is being recorded; undefined: none. */
  get openSession(): number | undefined {
    return this.session?.facts.number;
  }

  /** Finishes what a killed program left open; a damaged session is left as it is and named. */
  async finishOldSessions(): Promise<void> {
    const { data, load } = this.options;
    for (const session of findUnfinished(data)) {
      if (session === this.openSession) continue;
      try {
        await finishKilled(sessionPath(data, session), load);
      } catch (error) {
        this.setStatus({ ...this.status, detail: `Session ${session} could not be finished: ${(error as Error).message}` });
      }
    }
  }

  /** Changes what people say about the session that is being recorded; false when it is another one. */
  changeOpen(session: number, change: Partial<SessionNotes>): boolean {
    if (!this.session || session !== this.openSession) return false;
    this.session.changeNotes(change);
    return true;
  }

  /** How good each bus's time stamps are: sessions that begin from now on say so. */
  setStamps(stamps: Record<string, string>): void {
    this.stamps = stamps;
  }

  take(message: InputsMessage): void {
    for (const event of message.events) if (event.kind === 'definitions') this.vehicles.set(event.vehicle.hash, event.vehicle);
    this.waiting.push(message);
    if (this.timer) return;
    const ageMs = (this.options.clock.monotonicUs() - message.takenUs) / 1000;
    this.timer = setTimeout(() => this.commit(), Math.max(0, commitAgeMaxMs - ageMs));
  }

  /** Commits what has come, and closes the session. */
  async close(): Promise<void> {
    this.commit();
    clearTimeout(this.timer);
    this.closeSession();
    await this.closing;
  }

  private readonly vehicleOf = (hash: string): Vehicle => {
    const vehicle = this.vehicles.get(hash);
    if (!vehicle) throw new RangeError(`definition set ${hash} was not handed over`);
    return vehicle;
  };

  private commit(): void {
    clearTimeout(this.timer);
    this.timer = undefined;
    const messages = this.waiting;
    this.waiting = [];
    try {
      while (!this.session && messages.length > 0) {
        const message = messages[0] as InputsMessage;
        if (message.frames > 0 && this.mayOpen()) this.open();
        else this.pass(messages.shift() as InputsMessage);
      }
      if (this.session && messages.length > 0) this.record(this.session, messages);
    } catch (error) {
      this.refused(error, messages);
    }
    this.look();
  }

  private record(session: SessionWriter, messages: InputsMessage[]): void {
    const { clock, tell } = this.options;
    const beganUs = clock.monotonicUs();
    const vehicles = messages.flatMap(({ events }) => events).flatMap((event) => (event.kind === 'definitions' ? [event.vehicle] : []));
    session.commitJournal(
      messages.map(({ bytes }) => bytes),
      vehicles,
    );
    const doneUs = clock.monotonicUs();
    const ageMs = (doneUs - (messages[0] as InputsMessage).takenUs) / 1000;
    const frames = messages.reduce((sum, message) => sum + message.frames, 0);
    tell({ kind: 'committed', ageMs, tookMs: (doneUs - beganUs) / 1000, frames });
    this.setPace(ageMs);
    // On the disk: from here on nothing may be taken a second time.
    for (const message of messages.splice(0)) {
      session.take(message.bytes, this.vehicleOf);
      this.remember(message);
    }
    if (this.nowUs - this.lastFrameUs >= sessionSilenceMaxS * 1e6) this.closeSession();
    else if (session.sliceDue && !this.slicing) this.writeSlice(session);
  }

  private writeSlice(session: SessionWriter): void {
    this.slicing = true;
    session
      .writeSlice()
      .catch((error) => {
        if (session === this.session) this.refused(error, []);
      })
      .finally(() => {
        this.slicing = false;
      });
  }

  /** Inputs outside of sessions: the pipeline hears them, and a session that opens later begins with what they said last. */
  private pass(message: InputsMessage): void {
    if (message.frames > 0) this.options.tell({ kind: 'unrecorded', frames: message.frames });
    const log = new InputLog(message.frames + 16);
    visitJournal(message.bytes, this.vehicleOf, log);
    for (const input of log.inputs()) this.run.take(input);
    this.remember(message);
  }

  /** Keeps what the next session must begin with, and lets the main process forget the message. */
  private remember(message: InputsMessage): void {
    for (const event of message.events) {
      if (event.kind === 'definitions') this.vehicle = event.vehicle;
      else if (event.kind === 'clock') this.clockPair = event;
      else if (event.kind === 'source') this.sources.set(event.bus, event);
    }
    this.nowUs = Math.max(this.nowUs, message.lastUs);
    if (message.frames > 0) this.lastFrameUs = message.lastFrameUs;
    this.options.tell({ kind: 'done', bytes: message.bytes.length });
  }

  private open(): void {
    const { data, clock, program } = this.options;
    const { session, path } = takeSessionNumber(data);
    this.session = SessionWriter.create(path, { ...startingFacts(session, 'live'), stamps: this.stamps }, this.run, {
      wallMs: clock.wallMs(),
      program,
    });
    const heading = this.heading();
    this.session.commitJournal([heading], [this.vehicle]);
    this.session.take(heading, this.vehicleOf);
    this.lastFrameUs = this.nowUs;
    this.setStatus({ state: 'recording', session, startedWallMs: clock.wallMs(), detail: '' });
  }

  /** The record's first inputs: definitions in force, the last pair of clocks, the state of every source, all as of now. */
  private heading(): Uint8Array {
    const timeUs = this.nowUs;
    const journal = new JournalWriter();
    journal.other({ kind: 'definitions', timeUs, vehicle: this.vehicle });
    const pair = this.clockPair;
    if (pair) journal.other({ kind: 'clock', timeUs, wallMs: pair.wallMs + (timeUs - pair.timeUs) / 1000 });
    for (const source of this.sources.values()) journal.other({ ...source, timeUs });
    return journal.out.taken();
  }

  private closeSession(): void {
    const { session } = this;
    if (!session) return;
    this.session = undefined;
    this.closing = this.closing.then(() =>
      session.close('closed').then(this.options.sessionClosed, (error) => {
        session.abandon();
        this.setStatus({ ...idle, detail: `Session ${session.facts.number} could not be closed: ${(error as Error).message}` });
      }),
    );
    this.setStatus(idle);
  }

  /** False while recording has stopped. A first try finds out whether the disk has room. */
  private mayOpen(): boolean {
    const { clock, data } = this.options;
    if (this.tryAgainUs !== undefined && clock.monotonicUs() < this.tryAgainUs) return false;
    if (freeBytes(data) < diskReserveBytes) throw new EvenburnError('DISK_FULL', { path: data });
    this.tryAgainUs = undefined;
    return true;
  }

  /** The machine refused. A lock held by another program passes; anything else ends the session, and recording is tried again later. */
  private refused(error: unknown, messages: InputsMessage[]): void {
    if (error instanceof EvenburnError && error.code === 'DATABASE_LOCKED') {
      this.waiting = [...messages, ...this.waiting];
      this.setStatus({ ...this.status, state: 'slow', detail: `${error.message}. ${error.cure}` });
      this.timer ??= setTimeout(() => this.commit(), commitAgeMaxMs);
      return;
    }
    this.session?.abandon();
    this.session = undefined;
    this.tryAgainUs = this.options.clock.monotonicUs() + diskLookIntervalMs * 1000;
    const detail = error instanceof EvenburnError ? `${error.message}. ${error.cure}` : `The recorder failed: ${(error as Error).message}`;
    this.setStatus({ state: 'stopped', session: null, startedWallMs: null, detail });
    for (const message of messages) this.pass(message);
  }

  /** Looks at the disk every ten seconds; once recording has come back, sessions that it left behind are finished. */
  private look(): void {
    const nowUs = this.options.clock.monotonicUs();
    if (nowUs - this.lookedUs < diskLookIntervalMs * 1000) return;
    this.lookedUs = nowUs;
    this.options.tell({ kind: 'space', freeBytes: freeBytes(this.options.data) });
  }

  private setPace(ageMs: number): void {
    if (ageMs > diskAgeMaxMs) {
      const detail = `The disk took ${Math.round(ageMs)} ms; more than ${diskAgeMaxMs} ms of frames could be lost if the program were killed.`;
      this.setStatus({ ...this.status, state: 'slow', detail });
    } else if (this.status.state === 'slow') this.setStatus({ ...this.status, state: 'recording', detail: '' });
  }

  private setStatus(status: RecorderStatus): void {
    this.status = status;
    this.options.tell({ kind: 'status', status });
  }
}
