// Listens at one bit rate for the bit-rate finder: through a serial-line adapter, or a SocketCAN interface that this user may set up.
import { execFile } from 'node:child_process';
import { machineClock, SessionClock } from '../clock.ts';
import { EvenburnError } from '../errors.ts';
import type { ReaderNote } from './batch-wire.ts';
import type { Heard, ListenAt } from './bit-rate-finder.ts';
import { findInterface } from './can-interface.ts';
import { isUnacknowledged, toErrorFrame } from './error-frame.ts';
import { frameFlag } from './frame-batch.ts';
import { parseSource } from './open-source.ts';
import type { FrameTaker } from './reader-outlet.ts';
import { SerialLineDriver, type SerialLineOptions, serialLineTimes } from './serial-line.ts';
import { type OpenPort, openPort } from './serial-port.ts';
import { findRateDigit } from './serial-protocol.ts';
import { loadOpenChannel, type OpenChannel, SocketcanDriver } from './socketcan-driver.ts';
import { StampClock } from './stamp-clock.ts';

const openWaitMs = 10_000;

/**
 * What a frame with this many data bytes takes of the bus at least, stuff bits left out, when an error-passive device repeats it: frame,
 * recessive error flag (6), its delimiter (8), intermission (3) and suspension (8). ISO 11898-1; an 11-bit frame is 44 bits and its data.
 */
const repeatedBits = (bytes: number, isExtended: boolean) => (isExtended ? 64 : 44) + 8 * bytes + 25;
const backToBackShareMin = 0.7;
const linkFullPercent = 70;

/** Counts what comes, and keeps nothing. */
class Counter implements FrameTaker {
  readonly floorUs = 0;
  frames = 0;
  framingErrors = 0;
  acknowledgeErrors = 0;
  private readonly ids = new Set<number>();
  private first: string | undefined;
  private areAlike = true;
  private bits = 0;
  private linkPercent = 0;
  private reported: Record<string, number> = {};
  private readonly take: (note: ReaderNote) => void;

  constructor(take: (note: ReaderNote) => void) {
    this.take = take;
  }

  frame(timeUs: number, id: number, flags: number, bytes: Uint8Array, length: number): void {
    if ((flags & frameFlag.error) === 0) {
      this.frames++;
      this.ids.add(id);
      this.bits += repeatedBits(length, (flags & frameFlag.extended) !== 0);
      const content = Buffer.from(bytes.subarray(0, length)).toString('latin1');
      this.first ??= content;
      if (content !== this.first) this.areAlike = false;
    } else if (isUnacknowledged(toErrorFrame(timeUs, id, bytes))) this.acknowledgeErrors++;
    else this.framingErrors++;
  }

  note(note: ReaderNote): void {
    if (note.note === 'status' && note.status.errorFrames) this.reported = note.status.errorFrames as Record<string, number>;
    if (note.note === 'status') this.linkPercent = Math.max(this.linkPercent, Number(note.status.linkPercent ?? 0));
    this.take(note);
  }

  looked(): void {}

  private isFull(bits: number): boolean {
    return this.bits >= bits * backToBackShareMin || this.linkPercent >= linkFullPercent;
  }

  /** An adapter's own reports come as counts by name, an interface's as error frames. */
  heard(bitRate: number, seconds: number, isRefused: boolean, countsReports: boolean): Heard {
    const { 'nobody acknowledged': unacknowledged = 0, ...others } = countsReports ? this.reported : {};
    const framing = Object.values(others).reduce((sum, count) => sum + count, 0);
    return {
      bitRate,
      seconds,
      frames: this.frames,
      ids: this.ids.size,
      framingErrors: this.framingErrors + framing,
      acknowledgeErrors: this.acknowledgeErrors + unacknowledged,
      isOneFrameOverAndOver: this.ids.size === 1 && this.areAlike && this.isFull(bitRate * seconds),
      isRefused,
    };
  }
}

/**
 * How to listen on a source.
 * Errors: USAGE_WRONG for a source that has no bit rate, INTERFACE_MISSING, ADDON_MISSING; and when listening INTERFACE_SETUP_REFUSED,
 * SERIAL_PORT_MISSING, SERIAL_PORT_REFUSED, SERIAL_ADAPTER_REFUSES.
 */
export async function listenerFor(source: string): Promise<ListenAt> {
  const description = parseSource(source);
  if (description.kind === 'serial') {
    const { port, baud } = description;
    return (bitRate, seconds) => listenOnSerialLine({ port, baud, bitRate, acknowledges: false }, seconds, openPort);
  }
  if (description.kind !== 'socketcan') {
    throw new EvenburnError('USAGE_WRONG', { what: `'${source}' has no bit rate to find: give socketcan:INTERFACE or serial:PORT` });
  }
  const name = description.interface;
  if (!findInterface(name)) throw new EvenburnError('INTERFACE_MISSING', { interface: name, command: 'ip link show type can' });
  const openChannel = await loadOpenChannel();
  return (bitRate, seconds) => listenOnInterface(name, bitRate, seconds, openChannel);
}

/** Sets an adapter to one bit rate, listening only, for so long. */
export async function listenOnSerialLine(
  options: SerialLineOptions,
  seconds: number,
  open: OpenPort,
  times = serialLineTimes,
): Promise<Heard> {
  const { bitRate } = options;
  const clock = new SessionClock();
  let settle: (failure: EvenburnError | undefined) => void = () => {};
  const opened = new Promise<EvenburnError | undefined>((resolve) => {
    settle = resolve;
  });
  const counter = new Counter((note) => {
    if (note.note === 'up') settle(undefined);
    if (note.note === 'down')
      settle(new EvenburnError('SERIAL_PORT_REFUSED', { port: options.port, why: note.detail, fix: 'See `evenburn doctor`' }));
    if (note.note === 'failed') settle(new EvenburnError('SERIAL_ADAPTER_REFUSES', note.details));
  });
  if (findRateDigit(bitRate) === undefined) return counter.heard(bitRate, 0, true, true);
  const driver = new SerialLineDriver(options, open, counter, () => clock.nowUs(), times);
  driver.start();
  try {
    const failure = await opened;
    const isRefused = failure?.code === 'SERIAL_ADAPTER_REFUSES' && String(failure.details.what).startsWith('bit rate');
    if (failure && !isRefused) throw failure;
    if (!isRefused) await pause(seconds);
    return counter.heard(bitRate, seconds, isRefused, true);
  } finally {
    await driver.stop();
  }
}

/** Sets an interface to one bit rate, listening only, for so long, and leaves it down. Needs the right to set up interfaces. */
async function listenOnInterface(name: string, bitRate: number, seconds: number, openChannel: OpenChannel): Promise<Heard> {
  await ip(name, ['link', 'set', name, 'down']);
  const counter = new Counter(() => {});
  const setUp = ['link', 'set', name, 'type', 'can', 'bitrate', String(bitRate), 'listen-only', 'on'];
  // Not every driver reports single bus errors, and not every one can be told to.
  const isSet = (await ipWorks([...setUp, 'berr-reporting', 'on'])) || (await ipWorks(setUp));
  if (!isSet) return counter.heard(bitRate, 0, true, false);
  await ip(name, ['link', 'set', name, 'up']);
  const driver = new SocketcanDriver({ interface: name }, openChannel, counter, new StampClock(machineClock, new SessionClock()));
  driver.start();
  try {
    await pause(seconds);
    return counter.heard(bitRate, seconds, false, false);
  } finally {
    driver.stop();
    await ip(name, ['link', 'set', name, 'down']);
  }
}

async function ip(name: string, args: string[]): Promise<void> {
  const why = await ipError(args);
  if (why !== undefined) throw new EvenburnError('INTERFACE_SETUP_REFUSED', { interface: name, why });
}

async function ipWorks(args: string[]): Promise<boolean> {
  return (await ipError(args)) === undefined;
}

function ipError(args: string[]): Promise<string | undefined> {
  return new Promise((resolve) => {
    execFile('ip', args, { timeout: openWaitMs }, (error, _stdout, stderr) => resolve(error ? stderr.trim() || error.message : undefined));
  });
}

function pause(seconds: number): Promise<void> {
  return new Promise((resolve) => setTimeout(resolve, seconds * 1000));
}
