// The server's end of a reader process: a source of frames that outlives its readers, and counts what was lost between them.
import { type ChildProcess, spawn } from 'node:child_process';
import type { Readable } from 'node:stream';
import type { SessionClock } from '../clock.ts';
import { entryPath } from '../entries.ts';
import { type ErrorCode, EvenburnError } from '../errors.ts';
import { type CountLook, type FramesPacket, PacketReader, type ReaderNote } from './batch-wire.ts';
import {
  type ControllerState,
  countingRule,
  findInterface,
  type InterfaceCounters,
  readController,
  readCounters,
} from './can-interface.ts';
import { type KernelLoss, LossAccount } from './kernel-counters.ts';
import type { ReaderOrder } from './reader-order.ts';
import type { SerialLineOptions } from './serial-line.ts';
import type { PortIdentity } from './serial-port.ts';
import type { Source, SourceListener, SourceStatus, StampQuality } from './source.ts';

/** What to read, without what only the session knows. */
export type ReaderTarget = { kind: 'socketcan'; interface: string } | ({ kind: 'serial' } & Omit<SerialLineOptions, 'seenPort'>);

const restartMinMs = 20;
const restartMaxMs = 800;
/** A reader that ran so long has earned a quick restart. */
const healthyMs = 10_000;
const pollMs = 500;
/** A reader flushes every 5 ms: one that says nothing for so long hangs. */
const silenceMaxMs = 2000;
/** A small computer under load takes its time to start a process. */
const firstWordMaxMs = 20_000;
const stopWaitMs = 3000;
const controllerPollMs = 2000;
const errorTextMax = 2000;

export class ReaderSource implements Source {
  readonly bus: number;
  readonly description: string;
  stampQuality: StampQuality;
  private readonly target: ReaderTarget;
  private readonly clock: SessionClock;
  private listener: SourceListener | undefined;
  private child: ChildProcess | undefined;
  private isStopping = false;
  private restartMs = restartMinMs;
  private startedMs = 0;
  private heardMs = 0;
  private wasSilent = false;
  private restartTimer: NodeJS.Timeout | undefined;
  private timers: NodeJS.Timeout[] = [];
  private totals = { dataTaken: 0, errorsTaken: 0, dropped: 0 };
  private name: string;
  private index = -1;
  private seenPort: PortIdentity | undefined;
  private hasReader = false;
  private account: LossAccount | undefined;
  private status: SourceStatus;

  constructor(bus: number, description: string, target: ReaderTarget, clock: SessionClock) {
    this.bus = bus;
    this.description = description;
    this.target = target;
    this.clock = clock;
    this.name = target.kind === 'socketcan' ? target.interface : target.port;
    this.stampQuality = target.kind === 'socketcan' ? 'kernel' : 'process';
    this.status = { device: this.name, stampQuality: this.stampQuality, errorFrames: {}, readerRestarts: 0, notes: [] };
    if (target.kind === 'serial') this.status.bitRate = target.bitRate;
  }

  start(listener: SourceListener): void {
    this.listener = listener;
    if (this.target.kind === 'socketcan') {
      this.account = new LossAccount(countingRule(this.name));
      this.timers.push(setInterval(() => void this.askController(), controllerPollMs));
      void this.askController();
    }
    this.timers.push(setInterval(() => this.poll(), pollMs));
    this.spawnReader();
  }

  async stop(): Promise<void> {
    this.isStopping = true;
    clearTimeout(this.restartTimer);
    const child = this.child;
    if (child && child.exitCode === null && child.signalCode === null) {
      const ended = new Promise<void>((resolve) => child.once('close', () => resolve()));
      // It sends what it holds and ends.
      child.stdin?.end();
      const timer = setTimeout(() => child.kill('SIGKILL'), stopWaitMs);
      await ended;
      clearTimeout(timer);
    } else {
      this.closeAccount(false);
    }
    for (const timer of this.timers) clearInterval(timer);
    this.listener = undefined;
  }

  /** Process id of the reader that runs now, for tests and for the machine's own view; undefined between two. */
  get readerId(): number | undefined {
    return this.child?.pid;
  }

  private spawnReader(): void {
    const order = this.orderOfReader();
    const child = spawn(process.execPath, ['--expose-gc', entryPath('reader'), JSON.stringify(order)], {
      stdio: ['pipe', 'ignore', 'pipe', 'pipe'],
    });
    this.child = child;
    this.startedMs = performance.now();
    this.heardMs = this.startedMs;
    this.totals = { dataTaken: 0, errorsTaken: 0, dropped: 0 };
    const packets = new PacketReader(this.bus);
    let errorText = '';
    const frames = child.stdio[3] as Readable;
    frames.on('data', (chunk: Uint8Array) => this.takeChunk(child, packets, chunk));
    frames.on('error', () => {});
    child.stdin?.on('error', () => {});
    child.stderr?.on('data', (chunk: Uint8Array) => {
      errorText = (errorText + Buffer.from(chunk).toString()).slice(-errorTextMax);
    });
    child.on('error', (error) => {
      errorText ||= error.message;
    });
    // 'close' comes when its pipes are read to the end, so that nothing it sent is missed.
    child.on('close', (code, signal) => this.readerEnded(child, code === 0, lastWords(errorText) ?? `it ended with ${signal ?? code}`));
  }

  /** What a reader looks for: also what an earlier one had open, so that a new name in the meantime is no obstacle. */
  private orderOfReader(): ReaderOrder {
    const common = { sessionStartUs: this.clock.startUs };
    if (this.target.kind === 'socketcan') return { ...this.target, ...common, ...(this.index >= 0 && { seenIndex: this.index }) };
    return { ...this.target, ...common, ...(this.seenPort && { seenPort: this.seenPort }) };
  }

  private takeChunk(child: ChildProcess, packets: PacketReader, chunk: Uint8Array): void {
    this.heardMs = performance.now();
    try {
      for (const packet of packets.push(chunk)) {
        if (packet.kind === 'frames') this.takeFrames(packet);
        else this.takeNote(packet.note);
      }
    } catch (error) {
      if (!(error instanceof Error && error.message.includes('torn'))) throw error;
      child.kill('SIGKILL');
    }
  }

  private takeFrames(packet: FramesPacket): void {
    const dropped = packet.dropped - this.totals.dropped;
    this.totals = { dataTaken: packet.dataTaken, errorsTaken: packet.errorsTaken, dropped: packet.dropped };
    this.takeLook(packet.look);
    this.listener?.frames(packet.batch, packet.watermarkUs);
    if (dropped > 0) this.listener?.loss('queue', dropped);
  }

  /** A reader tells its last look with every packet: each counts once. */
  private takeLook(look: CountLook): void {
    if (look.received < 0 || !this.hasReader) return;
    this.account?.look(look, look.most, look.sure);
  }

  private takeNote(note: ReaderNote): void {
    if (note.note === 'up') this.takeUp(note);
    else if (note.note === 'down') this.sayState('down', note.detail);
    else if (note.note === 'adapter-loss') this.listener?.loss('adapter', note.count);
    else if (note.note === 'status') this.sayStatus(note.status);
    else this.takeFailure(note);
  }

  private takeUp(note: Extract<ReaderNote, { note: 'up' }>): void {
    this.seenPort = note.openedPort ?? this.seenPort;
    if (note.opened) {
      this.name = note.opened.name;
      this.index = note.opened.index;
      this.hasReader = true;
      const rest = this.account?.opened(note.opened.index, note.opened, this.totals);
      if (rest) this.sayLoss(rest);
      this.sayStatus({ device: this.name });
    }
    this.sayState('up', note.detail);
  }

  private takeFailure(note: { code: string; details: Record<string, string | number> }): void {
    const error = new EvenburnError(note.code as ErrorCode, note.details);
    if (note.code === 'READER_FAILED') {
      this.sayStatus({ notes: [...this.status.notes, error.message] });
      return;
    }
    // Starting again would not help: something must be installed or decided first.
    this.isStopping = true;
    this.child?.stdin?.end();
    this.listener?.failed(error);
  }

  private readerEnded(child: ChildProcess, endedWell: boolean, why: string): void {
    if (this.child !== child) return;
    this.child = undefined;
    this.hasReader = false;
    if (this.isStopping && endedWell) this.closeAccount(true);
    this.account?.readerEnded(this.totals);
    this.totals = { dataTaken: 0, errorsTaken: 0, dropped: 0 };
    if (this.isStopping && !endedWell) this.closeAccount(false);
    if (this.isStopping) return;
    this.sayState('down', `the reader of ${this.name} ended (${why}) and is started again`);
    this.sayStatus({ readerRestarts: this.status.readerRestarts + 1 });
    if (performance.now() - this.startedMs > healthyMs) this.restartMs = restartMinMs;
    this.restartTimer = setTimeout(() => this.spawnReader(), this.restartMs);
    this.restartMs = Math.min(this.restartMs * 2, restartMaxMs);
  }

  /**
   * No reader comes any more.
   *
   * @param readerLooked The reader's last look is known. Without one, whatever is counted by now and was not taken is lost.
   */
  private closeAccount(readerLooked: boolean): void {
    if (!this.account?.isOpen) return;
    const counters = this.presentCounters();
    if (counters && !readerLooked) this.account.look(counters, { dataTaken: 0, errorsTaken: 0 });
    this.sayLoss(this.account.close(counters));
  }

  private presentCounters(): InterfaceCounters | undefined {
    return findInterface(this.name)?.index === this.index ? readCounters(this.name) : undefined;
  }

  private poll(): void {
    this.watchSilence();
    if (!this.account?.isOpen) return;
    const counters = this.presentCounters();
    if (!counters) return;
    // While a reader is there, it looks at moments when it has taken all; without one, whatever is counted is lost.
    if (!this.hasReader) this.account.look(counters, { dataTaken: 0, errorsTaken: 0 });
    this.sayLoss(this.account.poll(counters));
  }

  private sayLoss({ adapter, beforeReader }: KernelLoss): void {
    if (adapter > 0) this.listener?.loss('adapter', adapter);
    if (beforeReader > 0) this.listener?.loss('before-reader', beforeReader);
  }

  /** Silent at two polls in a row: after a stall of our own, what it has sent meanwhile is read in between. */
  private watchSilence(): void {
    const allowedMs = this.heardMs === this.startedMs ? firstWordMaxMs : silenceMaxMs;
    const isSilent = performance.now() - this.heardMs > allowedMs;
    if (isSilent && this.wasSilent) this.child?.kill('SIGKILL');
    this.wasSilent = isSilent;
  }

  private async askController(): Promise<void> {
    const state = await readController(this.name);
    if (!state || this.isStopping) return;
    this.account?.setRule(countingRule(this.name, state.kind));
    const { kind: _kind, state: controller, busOffs: _busOffs, restarts: _restarts, ...rest } = state;
    this.sayStatus({ ...rest, ...(controller === undefined ? {} : { controller }) });
  }

  private sayState(state: 'up' | 'down', detail: string): void {
    this.listener?.state(state, detail);
  }

  private sayStatus(news: Partial<SourceStatus> | ControllerState | Record<string, unknown>): void {
    const before = JSON.stringify(this.status);
    this.status = { ...this.status, ...news };
    this.stampQuality = this.status.stampQuality;
    if (JSON.stringify(this.status) !== before) this.listener?.status?.(this.status);
  }
}

function lastWords(text: string): string | undefined {
  const lines = text.split('\n').map((line) => line.trim());
  return lines.findLast((line) => /error|exception|abort|fatal/i.test(line));
}
