// The ASCII protocol of serial-line adapters, as the Linux kernel's slcan driver speaks it: bytes in, frames and answers out.
import { frameFlag } from './frame-batch.ts';

const carriageReturn = 0x0d;
const bell = 0x07;
const lineFeed = 0x0a;
/** 'T' + 8 id + 1 length + 16 data + 4 stamp = 30. */
const classicLineMax = 32;
/** 'D' + 8 id + 1 length + 128 data + 4 stamp. */
const fdLineMax = 142;
const stampDigits = 4;
const extendedIdMax = 0x1fffffff;
const standardIdMax = 0x7ff;
/** ISO 11898-1: the length code of FD frames above 8 is an index. */
const fdLengths = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64] as const;

interface FrameLetter {
  idDigits: 3 | 8;
  flags: number;
}

const frameLetters: Readonly<Record<string, FrameLetter>> = {
  t: { idDigits: 3, flags: 0 },
  T: { idDigits: 8, flags: frameFlag.extended },
  x: { idDigits: 8, flags: frameFlag.extended },
  r: { idDigits: 3, flags: frameFlag.remote },
  R: { idDigits: 8, flags: frameFlag.remote | frameFlag.extended },
  d: { idDigits: 3, flags: frameFlag.fd },
  D: { idDigits: 8, flags: frameFlag.fd | frameFlag.extended },
  b: { idDigits: 3, flags: frameFlag.fd | frameFlag.bitRateSwitch },
  B: { idDigits: 8, flags: frameFlag.fd | frameFlag.bitRateSwitch | frameFlag.extended },
};

const fdLetters = new Set([...'dDbB'].map((letter) => letter.charCodeAt(0)));

export type AdapterState = 'error-active' | 'error-warning' | 'error-passive' | 'bus-off';

const pushedStates: Readonly<Record<string, AdapterState>> = { a: 'error-active', w: 'error-warning', p: 'error-passive', b: 'bus-off' };

/** Flags of the answer to `F`, read and cleared by it. From memory of the protocol's common description. */
export interface AdapterFlags {
  receiveFull: boolean;
  errorWarning: boolean;
  overrun: boolean;
  errorPassive: boolean;
  busError: boolean;
}

export interface SerialLineListener {
  /** `stampMs`: the adapter's own stamp, 0 to 65535, or undefined; `data` is valid during the call only. */
  frame(id: number, flags: number, data: Uint8Array, length: number, stampMs: number | undefined): void;
  /** A bare carriage return (true) or a bell (false): the answer to the last command. */
  answer(isOk: boolean): void;
  version(text: string): void;
  flags(flags: AdapterFlags): void;
  state(state: AdapterState, receiveErrors: number, sendErrors: number): void;
  /** Letters of a pushed error report: a acknowledge, b/B bit, c checksum, f form, o/O overrun, s stuffing. */
  errors(letters: string): void;
  malformed(): void;
}

/** Reads the byte stream; lines may be cut anywhere, and after noise it is in step again at the next carriage return. */
export class SerialLineParser {
  /** The command that was written last: some adapters say it back, which is no answer and no frame. */
  echo = '';
  private readonly listener: SerialLineListener;
  private readonly line = new Uint8Array(fdLineMax);
  private readonly data = new Uint8Array(64);
  private length = 0;
  /** Of the line being read, by its letter. */
  private lineMax = classicLineMax;
  private isOverlong = false;

  constructor(listener: SerialLineListener) {
    this.listener = listener;
  }

  push(bytes: Uint8Array): void {
    for (const byte of bytes) {
      if (byte === carriageReturn) this.endLine();
      else if (byte === bell) this.endWithBell();
      else if (byte !== lineFeed || this.length > 0) this.addByte(byte);
    }
  }

  /** Forgets a half line, as after opening a port in the middle of traffic. */
  reset(): void {
    this.length = 0;
    this.isOverlong = false;
  }

  private addByte(byte: number): void {
    if (this.length === 0) this.lineMax = fdLetters.has(byte) ? fdLineMax : classicLineMax;
    if (this.length >= this.lineMax) this.isOverlong = true;
    else this.line[this.length++] = byte;
  }

  private endWithBell(): void {
    // A bell within a line: the line is torn, and the bell is an answer all the same.
    if (this.length > 0) this.listener.malformed();
    this.reset();
    this.listener.answer(false);
  }

  private endLine(): void {
    const length = this.length;
    const isOverlong = this.isOverlong;
    this.reset();
    if (isOverlong) this.listener.malformed();
    else if (length === 0) this.listener.answer(true);
    else if (!this.isEcho(length) && !this.takeLine(length)) this.listener.malformed();
  }

  private isEcho(length: number): boolean {
    if (length !== this.echo.length) return false;
    for (let k = 0; k < length; k++) if (this.line[k] !== this.echo.charCodeAt(k)) return false;
    return true;
  }

  private takeLine(length: number): boolean {
    const letter = String.fromCharCode(this.line[0] as number);
    const frame = frameLetters[letter];
    if (frame) return this.takeFrame(frame, length);
    const text = String.fromCharCode(...this.line.subarray(1, length));
    if (letter === 'V' || letter === 'v' || letter === 'N') return this.takeText(text);
    if (letter === 'F') return this.takeFlags(length);
    if (letter === 's') return this.takeState(text);
    if (letter === 'e') return this.takeErrors(text);
    // `z` and `Z` answer a transmit command, and none is ever given.
    return false;
  }

  private takeFrame(letter: FrameLetter, length: number): boolean {
    const id = this.hex(1, letter.idDigits);
    const code = this.hex(1 + letter.idDigits, 1);
    const isFd = (letter.flags & frameFlag.fd) !== 0;
    if (id < 0 || code < 0 || (!isFd && code > 8)) return false;
    if (id > (letter.idDigits === 3 ? standardIdMax : extendedIdMax)) return false;
    const bytes = fdLengths[code] as number;
    const isRemote = (letter.flags & frameFlag.remote) !== 0;
    const dataAt = 2 + letter.idDigits;
    const end = dataAt + (isRemote ? 0 : 2 * bytes);
    if (length !== end && length !== end + stampDigits) return false;
    for (let k = 0; k < bytes && !isRemote; k++) {
      const byte = this.hex(dataAt + 2 * k, 2);
      if (byte < 0) return false;
      this.data[k] = byte;
    }
    const stamp = length === end ? undefined : this.hex(end, stampDigits);
    if (stamp !== undefined && stamp < 0) return false;
    this.listener.frame(id, letter.flags, this.data, bytes, stamp);
    return true;
  }

  private takeText(text: string): boolean {
    if (!/^[\x20-\x7e]*$/.test(text)) return false;
    this.listener.version(text);
    return true;
  }

  private takeFlags(length: number): boolean {
    const bits = length === 3 ? this.hex(1, 2) : -1;
    if (bits < 0) return false;
    this.listener.flags({
      receiveFull: (bits & 0x01) !== 0,
      errorWarning: (bits & 0x04) !== 0,
      overrun: (bits & 0x08) !== 0,
      errorPassive: (bits & 0x20) !== 0,
      busError: (bits & 0x80) !== 0,
    });
    return true;
  }

  private takeState(text: string): boolean {
    const found = /^([awpb])(\d{3})(\d{3})$/.exec(text);
    const state = found ? pushedStates[found[1] as string] : undefined;
    if (!found || !state) return false;
    this.listener.state(state, Number(found[2]), Number(found[3]));
    return true;
  }

  private takeErrors(text: string): boolean {
    const found = /^(\d)([abBcfoOs]+)$/.exec(text);
    if (!found || Number(found[1]) !== (found[2] as string).length) return false;
    this.listener.errors(found[2] as string);
    return true;
  }

  /** The hexadecimal number at `at`, or -1. */
  private hex(at: number, digits: number): number {
    let value = 0;
    for (let k = at; k < at + digits; k++) {
      const digit = hexDigit(this.line[k] as number);
      if (digit < 0) return -1;
      value = value * 16 + digit;
    }
    return value;
  }
}

function hexDigit(byte: number): number {
  if (byte >= 0x30 && byte <= 0x39) return byte - 0x30;
  if (byte >= 0x41 && byte <= 0x46) return byte - 0x37;
  if (byte >= 0x61 && byte <= 0x66) return byte - 0x57;
  return -1;
}

/** Bit rates of the `S` command; 7 is 800 kbit/s for the Linux kernel and 750 for other programs. */
const rateDigits: readonly (readonly [number, number])[] = [
  [10_000, 0],
  [20_000, 1],
  [50_000, 2],
  [83_333, 9],
  [100_000, 3],
  [125_000, 4],
  [250_000, 5],
  [500_000, 6],
  [750_000, 7],
  [800_000, 7],
  [1_000_000, 8],
];

export const serialBitRates: readonly number[] = rateDigits.map(([rate]) => rate);

/** The digit of the `S` command for a bit rate (bit/s, within 0.1 %), or undefined when the protocol has none. */
export function findRateDigit(bitRate: number): number | undefined {
  return rateDigits.find(([rate]) => Math.abs(rate - bitRate) <= rate / 1000)?.[1];
}

/** Bit rates of the `Y` command, the data phase of CAN FD. Source: python-can's slcan interface, `_DATA_BITRATES`; the kernel's driver has none. */
const dataRateDigits: readonly (readonly [number, number])[] = [
  [2_000_000, 2],
  [5_000_000, 5],
];

export const serialDataBitRates: readonly number[] = dataRateDigits.map(([rate]) => rate);

/** The digit of the `Y` command for a bit rate of the data phase, bit/s, or undefined when there is none. */
export function findDataRateDigit(bitRate: number): number | undefined {
  return dataRateDigits.find(([rate]) => rate === bitRate)?.[1];
}

/** What the person should know about a bit rate, or undefined. */
export function findRateCaution(bitRate: number): string | undefined {
  const digit = findRateDigit(bitRate);
  if (digit === 7) return 'S7 means 800 kbit/s to some adapters and 750 kbit/s to others: trust it once frames come.';
  if (digit === 9) return 'S9 (83.3 kbit/s) is not known to every adapter: trust it once frames come.';
  return undefined;
}

/**
 * Makes a running time of an adapter's stamps, which count milliseconds and wrap at 60,000 (not 65,536).
 *
 * The adapter's clock is laid against the host's by the quickest frame seen; that bound may rise slowly, since clocks drift.
 */
export class AdapterStamps {
  private lastStampMs: number | undefined;
  private lastHostUs = 0;
  private runningMs = 0;
  private quickestUs = Number.POSITIVE_INFINITY;

  /**
   * Session time of a frame stamped `stampMs` that was read at `hostUs`; undefined when the stamp is above 59,999, so that
   * this adapter counts otherwise and host time must do.
   */
  toSessionUs(stampMs: number, hostUs: number): number | undefined {
    if (stampMs >= wrapMs) return undefined;
    const hostMs = (hostUs - this.lastHostUs) / 1000;
    if (this.lastStampMs !== undefined) {
      const since = (stampMs - this.lastStampMs + wrapMs) % wrapMs;
      const wraps = Math.max(0, Math.round((hostMs - since) / wrapMs));
      this.runningMs += since + wraps * wrapMs;
      this.quickestUs += hostMs * 1000 * driftMax;
    }
    this.lastStampMs = stampMs;
    this.lastHostUs = hostUs;
    this.quickestUs = Math.min(this.quickestUs, hostUs - this.runningMs * 1000);
    return Math.round(this.runningMs * 1000 + this.quickestUs);
  }
}

const wrapMs = 60_000;
/** Quartz clocks of small boards: 200 parts in a million between two of them (common practice, no source). */
const driftMax = 0.0002;
