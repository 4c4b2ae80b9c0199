// Listens on a SocketCAN interface inside a reader process: opens, notices when it goes, and opens again. It holds no way to send.
import { EvenburnError } from '../errors.ts';
import { checkInterface, findInterface, findNameOf, type InterfaceCounters, readCounters } from './can-interface.ts';
import { CountLooks } from './count-looks.ts';
import { errorClass, kindsOf, toErrorFrame } from './error-frame.ts';
import { frameFlag } from './frame-batch.ts';
import type { FrameTaker } from './reader-outlet.ts';
import type { StampClock } from './stamp-clock.ts';

/** A frame as the add-on hands it over; keys that are false are absent. */
interface AddonFrame {
  id: number;
  data: Uint8Array;
  ts_sec?: number;
  ts_usec?: number;
  ext?: boolean;
  rtr?: boolean;
  err?: boolean;
  canfd?: boolean;
  fd_brs?: boolean;
}

/** The part of the add-on's channel that is used: listening. */
export interface ListeningChannel {
  addListener(event: 'onMessage', callback: (frame: AddonFrame) => void): void;
  addListener(event: 'onStopped', callback: () => void): void;
  start(): void;
  stop(): void;
}

export type OpenChannel = (name: string) => ListeningChannel;

/** The add-on gives at most this many frames a turn of the event loop; so many in one flush means that more wait. */
const framesATurn = 100;
const retryMs = 20;
const watchMs = 250;
/** Frames that the kernel counts and nobody gets, for this long, are a stalled channel. */
const stallMs = 1000;
const statusMs = 500;
/** What a stop waits for frames that a full socket still holds; the server waits longer for the reader. */
const drainMaxMs = 2000;
/** CANFD_MTU of linux/can.h. */
const fdFrameBytes = 72;
const classicDataMax = 8;

/** Loads the add-on. Errors: ADDON_MISSING. */
export async function loadOpenChannel(): Promise<OpenChannel> {
  try {
    const addon = (await import('socketcan')) as unknown as { createRawChannel(name: string, stamps: boolean): ListeningChannel };
    return (name) => addon.createRawChannel(name, true);
  } catch (error) {
    throw new EvenburnError('ADDON_MISSING', { addon: 'socketcan', what: 'SocketCAN interfaces' }, error);
  }
}

export class SocketcanDriver {
  private readonly configuredName: string;
  private readonly openChannel: OpenChannel;
  private readonly taker: FrameTaker;
  private readonly stamps: StampClock;
  private name: string;
  private index: number;
  private channel: ListeningChannel | undefined;
  /** Callbacks of an older channel than this are ignored: they still come after it was given up. */
  private generation = 0;
  private timers: NodeJS.Timeout[] = [];
  private takenThisFlush = 0;
  private takenInAll = 0;
  private readonly looks: CountLooks;
  private isBusOff = false;
  private isStopping = false;
  /** A stop waits for this. */
  private drained: (() => void) | undefined;
  private saidDown = '';
  private watched = { taken: 0, received: 0, sinceMs: 0 };
  private readonly errorFrames: Record<string, number> = {};
  private statusIsNew = true;

  /** @param wanted The interface by its name, and by its index where it was open before. */
  constructor(wanted: { interface: string; seenIndex?: number }, openChannel: OpenChannel, taker: FrameTaker, stamps: StampClock) {
    this.configuredName = wanted.interface;
    this.name = wanted.interface;
    this.index = wanted.seenIndex ?? -1;
    this.openChannel = openChannel;
    this.taker = taker;
    this.stamps = stamps;
    this.looks = new CountLooks((look) => taker.looked(look));
  }

  start(): void {
    this.open();
    this.timers = [
      setInterval(() => this.channel ?? this.open(), retryMs),
      setInterval(() => this.watch(), watchMs),
      setInterval(() => this.sayStatus(), statusMs),
    ];
  }

  stop(): void {
    for (const timer of this.timers) clearInterval(timer);
    this.retire();
  }

  /**
   * Before a stop: takes all that the interface has counted by now. Resolves once it has come, or has had its time: then it is lost, and
   * the last look says so. Needs its flushes as ever.
   */
  async drain(): Promise<void> {
    for (const timer of this.timers) clearInterval(timer);
    this.isStopping = true;
    if (!this.channel) return;
    this.looks.close(
      () => this.readCounts(),
      () => this.stamps.nowUs(),
    );
    let timer: NodeJS.Timeout | undefined;
    await new Promise<void>((resolve) => {
      this.drained = resolve;
      timer = setTimeout(resolve, drainMaxMs);
    });
    clearTimeout(timer);
    this.looks.giveUp();
  }

  /** Called at each flush, when the driver has had its turn. True: frames wait that it hasn't taken yet. */
  beforeFlush(): boolean {
    const { steps } = this.stamps;
    this.stamps.look();
    if (this.stamps.steps !== steps) this.looks.forget();
    const isBehind = this.takenThisFlush >= framesATurn;
    this.takenThisFlush = 0;
    this.looks.turn(
      isBehind,
      () => this.readCounts(),
      () => this.stamps.nowUs(),
    );
    if (this.looks.isSettled) this.drained?.();
    return isBehind;
  }

  private open(): void {
    try {
      const name = this.presentName();
      const found = checkInterface(name);
      // The counters are read before the socket exists: a frame in between is counted as lost, never overlooked.
      const counters = readCounters(name) as InterfaceCounters;
      const channel = this.openChannel(name);
      const generation = ++this.generation;
      channel.addListener('onMessage', (frame) => this.take(generation, frame));
      channel.addListener('onStopped', () => this.stopped(generation));
      channel.start();
      if (found.index !== this.index) this.looks.forget();
      this.channel = channel;
      this.name = name;
      this.index = found.index;
      this.saidDown = '';
      this.isBusOff = false;
      this.watched = { taken: this.takenInAll, received: counters.received, sinceMs: performance.now() };
      const renamed = name === this.configuredName ? '' : ` (${this.configuredName} before)`;
      this.taker.note({ note: 'up', detail: `${name} is open${renamed}`, opened: { name, index: found.index, ...counters } });
      this.sayLimits(found.frameBytesMax);
    } catch (error) {
      this.sayDown(error instanceof EvenburnError ? `${error.message}. ${error.cure}` : `${this.name}: ${String(error)}`);
    }
  }

  /** The interface by its name; or, when that is gone and it was open before, by the name that it has now. */
  private presentName(): string {
    if (findInterface(this.configuredName)) return this.configuredName;
    return (this.index >= 0 ? findNameOf(this.index) : undefined) ?? this.configuredName;
  }

  private take(generation: number, frame: AddonFrame): void {
    if (generation !== this.generation) return;
    // An exception in the add-on's callback would end the process.
    try {
      this.takenThisFlush++;
      this.takenInAll++;
      const floor = this.taker.floorUs;
      const stampUs = frame.ts_sec === undefined ? undefined : frame.ts_sec * 1_000_000 + (frame.ts_usec ?? 0);
      const timeUs = stampUs === undefined ? Math.max(floor, this.stamps.nowUs()) : this.stamps.toSessionUs(stampUs, floor);
      this.looks.take(stampUs === undefined ? timeUs : this.stamps.plainSessionUs(stampUs), frame.err === true);
      this.taker.frame(timeUs, frame.id, flagsOf(frame), frame.data, frame.data.length);
      if (frame.err) this.countError(timeUs, frame);
      else if (this.isBusOff) this.recovered('frames come again');
    } catch (error) {
      this.taker.note({ note: 'failed', code: 'READER_FAILED', details: { source: this.name, why: String(error) } });
    }
  }

  private countError(timeUs: number, frame: AddonFrame): void {
    for (const kind of kindsOf(toErrorFrame(timeUs, frame.id, frame.data))) this.errorFrames[kind] = (this.errorFrames[kind] ?? 0) + 1;
    this.statusIsNew = true;
    if ((frame.id & errorClass.busOff) !== 0 && !this.isBusOff) {
      this.isBusOff = true;
      this.taker.note({ note: 'down', detail: `the controller of ${this.name} is bus-off` });
    }
    if ((frame.id & errorClass.restarted) !== 0) this.recovered('the controller was restarted');
  }

  private recovered(why: string): void {
    if (!this.isBusOff) return;
    this.isBusOff = false;
    this.taker.note({ note: 'up', detail: `${this.name} is back on the bus: ${why}` });
  }

  private stopped(generation: number): void {
    if (generation !== this.generation) return;
    // The add-on has stopped it already; stop() would enter it again.
    this.forget();
    if (this.isStopping) this.drained?.();
    else this.open();
  }

  /** Looks for stalls that the add-on doesn't notice: the interface went, was replaced, or counts frames that nobody gets. */
  private watch(): void {
    if (!this.channel) return;
    const found = findInterface(this.name);
    const received = readCounters(this.name)?.received ?? 0;
    const now = performance.now();
    if (this.takenInAll !== this.watched.taken || received === this.watched.received) {
      this.watched = { taken: this.takenInAll, received, sinceMs: now };
    }
    const isStalled = received !== this.watched.received && now - this.watched.sinceMs > stallMs;
    if (found?.isUp && found.index === this.index && !isStalled) return;
    this.retire();
    this.open();
  }

  private retire(): void {
    const channel = this.channel;
    this.forget();
    try {
      channel?.stop();
    } catch {
      // It had stopped by itself in the meantime.
    }
  }

  private forget(): void {
    this.generation++;
    this.channel = undefined;
    // The add-on closes its socket only when the object is collected; its handles need some turns to close first.
    setTimeout(() => (globalThis as { gc?: () => void }).gc?.(), stallMs).unref();
  }

  private readCounts(): InterfaceCounters | undefined {
    return findInterface(this.name)?.index === this.index ? readCounters(this.name) : undefined;
  }

  private sayDown(detail: string): void {
    if (detail === this.saidDown) return;
    this.saidDown = detail;
    this.taker.note({ note: 'down', detail });
  }

  private sayLimits(frameBytesMax: number): void {
    if (frameBytesMax < fdFrameBytes) return;
    const notes = [
      'FD frames: the installed add-on tells them from classic ones only above 8 bytes, and does not say whether the bit rate was switched.',
    ];
    this.taker.note({ note: 'status', status: { notes } });
  }

  private sayStatus(): void {
    if (!this.statusIsNew) return;
    this.statusIsNew = false;
    this.taker.note({ note: 'status', status: { errorFrames: this.errorFrames } });
  }
}

function flagsOf(frame: AddonFrame): number {
  if (frame.err) return frameFlag.error;
  let flags = 0;
  if (frame.ext) flags |= frameFlag.extended;
  if (frame.rtr) flags |= frameFlag.remote;
  if (frame.canfd || frame.data.length > classicDataMax) flags |= frameFlag.fd;
  if (frame.fd_brs) flags |= frameFlag.bitRateSwitch;
  return flags;
}
