// One line of text as one frame: the log form and the on-screen form of the Linux SocketCAN tools, read byte by byte.
//
//     (1700000000.000454) can0 512#6C9600E3              11-bit id, data
//     (1700000000.000454) can0 18FEF100#FFFF R           29-bit id, with a direction letter
//     (1700000000.000454) can0 512#R4                    remote frame that asks for 4 bytes
//     (1700000000.000454) can0 512##16C9600E3            FD frame: one digit of flags (1 bit rate switch, 2 error state), then data
//     (1700000000.000454) can0 20000004#0004000000000000 error frame: bit 29 of the id, then the class bits
//      (1700000000.000454)  can0  512   [4]  6C 96 00 E3 on screen; FD frames have a length of two digits
import { frameFlag } from '../bus/frame-batch.ts';

const tab = 0x09;
const newline = 0x0a;
const space = 0x20;
const quote = 0x27;
const hash = 0x23;
const open = 0x28;
const close = 0x29;
const dot = 0x2e;
const bracket = 0x5b;
const bracketEnd = 0x5d;
const underscore = 0x5f;
const dash = 0x2d;
const letterR = 0x52;
const letterT = 0x54;

/** Value of a hexadecimal digit by character code; −1 for any other character. */
const hexDigits = new Int8Array(256).fill(-1);
for (let i = 0; i < 10; i++) hexDigits[0x30 + i] = i;
for (let i = 0; i < 6; i++) {
  hexDigits[0x41 + i] = 10 + i;
  hexDigits[0x61 + i] = 10 + i;
}

/** Id bit of an error frame in text, as in linux/can.h. */
const errorIdBit = 0x20000000;
const extendedIdMax = 0x1fffffff;
const standardIdMax = 0x7ff;
/** Greatest whole second whose microseconds are an exact double. */
const secondsMax = 9_007_199_253;
/** Flags digit of an FD frame → flags of a frame. */
const fdFlags = [0, 1, 2, 3].map(
  (digit) => frameFlag.fd | ((digit & 1) !== 0 ? frameFlag.bitRateSwitch : 0) | ((digit & 2) !== 0 ? frameFlag.errorStateIndicator : 0),
);

/** Columns of an FD frame's flags on screen, in their order: a letter, or a dash. */
const screenFlags = [
  [0x42, frameFlag.bitRateSwitch],
  [0x45, frameFlag.errorStateIndicator],
] as const;

/** Lengths that a CAN FD frame can have. Source: ISO 11898-1, as in Linux include/linux/can/length.h. */
export function isFdLength(bytes: number): boolean {
  return bytes <= 8 || (bytes <= 24 && bytes % 4 === 0) || bytes === 32 || bytes === 48 || bytes === 64;
}

/**
 * The parts of the last line parsed; reused from line to line so that a line costs no allocation.
 * Every inner step takes the place to go on from and returns the next, or −1 with `fault` set. A newline ends every loop.
 */
export class TextLine {
  timeUs = 0;
  /** The time was finer than a microsecond. */
  rounded = false;
  /** The interface name is `bytes[nameFrom .. nameTo)`. */
  nameFrom = 0;
  nameTo = 0;
  id = 0;
  flags = 0;
  length = 0;
  readonly data = new Uint8Array(64);
  direction: '' | 'R' | 'T' = '';
  /** Why the last line is no frame; '' for one that is not meant to be (blank, comment, details of an error frame). */
  fault = '';
  /** The last frame was an error frame in the on-screen form, whose details may follow on indented lines. */
  private detailsFollow = false;

  /** Parses the line that begins at `from` and ends in a newline; returns where the next begins, or −1 when it is no frame. */
  parse(bytes: Uint8Array, from: number): number {
    const first = bytes[from] as number;
    if (this.detailsFollow && first === tab) return this.failed('');
    this.detailsFollow = false;
    this.direction = '';
    let at = skipSpaces(bytes, from);
    const lead = bytes[at] as number;
    if (lead === newline || lead === hash) return this.failed('');
    if (lead !== open) return this.failed('no time stamp in parentheses at its beginning');
    at = this.time(bytes, at + 1);
    if (at < 0) return at;
    this.nameFrom = skipSpaces(bytes, at);
    at = this.nameFrom;
    while ((bytes[at] as number) > space) at++;
    this.nameTo = at;
    at = this.idAndData(bytes, skipSpaces(bytes, at));
    return at < 0 ? at : this.end(bytes, at);
  }

  private failed(fault: string): number {
    this.fault = fault;
    return -1;
  }

  /** Seconds, or a date and time of day, then a point and decimals; more than six are rounded, fewer are tenths, hundredths, ... */
  private time(bytes: Uint8Array, from: number): number {
    let at = from;
    let seconds = 0;
    while (isDigit(bytes[at] as number)) seconds = seconds * 10 + (bytes[at++] as number) - 0x30;
    if (bytes[at] === dash && at - from === 4) {
      at = from + 19;
      seconds = dateSeconds(bytes, from);
    }
    let micros = 0;
    let digits = 0;
    let beyond = 0;
    if (bytes[at] === dot) {
      for (at++; isDigit(bytes[at] as number); at++) {
        const digit = (bytes[at] as number) - 0x30;
        if (digits < 6) micros = micros * 10 + digit;
        else if (digits === 6) beyond = digit;
        else if (beyond === 0 && digit > 0) beyond = 0.5;
        digits++;
      }
    }
    for (let missing = digits; missing < 6; missing++) micros *= 10;
    if (bytes[at] !== close || at === from || !(seconds <= secondsMax)) return this.failed('the time stamp is not a number of seconds');
    this.timeUs = seconds * 1_000_000 + micros + (beyond >= 5 ? 1 : 0);
    this.rounded = beyond > 0;
    return at + 1;
  }

  private idAndData(bytes: Uint8Array, from: number): number {
    let at = from;
    let id = 0;
    for (
      let digit = hexDigits[bytes[at] as number] as number;
      digit >= 0 && at - from < 9;
      digit = hexDigits[bytes[at] as number] as number
    ) {
      id = id * 16 + digit;
      at++;
    }
    const onScreen = bytes[at] !== hash;
    if (onScreen && at - from !== 3 && at - from !== 8) return this.directionOnScreen(bytes, from);
    const digits = at - from;
    if (digits === 3 && id <= standardIdMax) this.flags = 0;
    else if (digits === 8 && id <= extendedIdMax) this.flags = frameFlag.extended;
    else if (digits === 8 && id >= errorIdBit && id < 2 * errorIdBit) {
      this.flags = frameFlag.error;
      id -= errorIdBit;
    } else return this.failed('the id is neither 3 digits up to 7FF nor 8 up to 1FFFFFFF');
    this.id = id;
    return onScreen ? this.screenData(bytes, skipSpaces(bytes, at)) : this.logData(bytes, at + 1);
  }

  private logData(bytes: Uint8Array, from: number): number {
    const next = bytes[from] as number;
    if (next === hash) {
      const flags = hexDigits[bytes[from + 1] as number] as number;
      if (flags < 0) return this.failed('the flags digit of an FD frame is missing');
      this.flags |= fdFlags[flags & 3] as number;
      const at = this.hexPairs(bytes, from + 2, 64, dot);
      return at >= 0 && !isFdLength(this.length) ? this.failed(`no FD frame has ${this.length} bytes`) : at;
    }
    if (next === letterR || next === letterR + 32) {
      this.flags |= frameFlag.remote;
      const length = hexDigits[bytes[from + 1] as number] as number;
      this.length = Math.max(0, length);
      return length > 8 ? this.failed('a remote frame asks for at most 8 bytes') : this.rawLength(bytes, from + (length >= 0 ? 2 : 1));
    }
    const at = this.hexPairs(bytes, from, 8, dot);
    return at < 0 ? at : this.rawLength(bytes, at);
  }

  /** `_9` to `_F` behind 8 bytes: the length code as sent, which means 8. */
  private rawLength(bytes: Uint8Array, from: number): number {
    return bytes[from] === underscore && (hexDigits[bytes[from + 1] as number] as number) > 8 ? from + 2 : from;
  }

  /** Data bytes, two digits each, with or without a separator between them. */
  private hexPairs(bytes: Uint8Array, from: number, lengthMax: number, separator: number): number {
    const { data } = this;
    let at = from;
    let length = 0;
    for (;;) {
      const high = hexDigits[bytes[at] as number] as number;
      if (high < 0) break;
      const low = hexDigits[bytes[at + 1] as number] as number;
      if (low < 0) return this.failed('a data byte has only one digit');
      if (length === lengthMax) return this.failed(`more than ${lengthMax} data bytes`);
      data[length++] = (high << 4) | low;
      at += 2;
      if (bytes[at] === separator) at++;
    }
    this.length = length;
    return at;
  }

  /** On screen `TX` or `RX`, then two columns of flags, may stand before the id. */
  private directionOnScreen(bytes: Uint8Array, from: number): number {
    const letter = bytes[from] as number;
    if ((letter !== letterR && letter !== letterT) || bytes[from + 1] !== 0x58) return this.failed('no id where it is expected');
    let at = skipSpaces(bytes, from + 2);
    let flags = 0;
    for (const [sign, flag] of screenFlags) {
      if ((bytes[at] !== dash && bytes[at] !== sign) || bytes[at + 1] !== space) continue;
      if (bytes[at] === sign) flags |= flag;
      at = skipSpaces(bytes, at + 1);
    }
    if (bytes[at] === letterR || bytes[at] === letterT) return this.failed('no id where it is expected');
    const next = this.idAndData(bytes, at);
    if ((this.flags & frameFlag.fd) !== 0) this.flags |= flags;
    this.direction = letter === letterR ? 'R' : 'T';
    return next;
  }

  /** `[4]  6C 96 00 E3`, `[12]` for an FD frame, `remote request`, and what may follow: text in quotes, `ERRORFRAME`. */
  private screenData(bytes: Uint8Array, from: number): number {
    let at = from + 1;
    let said = 0;
    while (isDigit(bytes[at] as number)) said = said * 10 + (bytes[at++] as number) - 0x30;
    if (bytes[from] !== bracket || bytes[at] !== bracketEnd) return this.failed('no length in brackets behind the id');
    const fd = at - from === 3;
    if (fd) this.flags |= frameFlag.fd;
    at = skipSpaces(bytes, at + 1);
    if (startsWith(bytes, at, 'remote request')) {
      this.flags |= frameFlag.remote;
      this.length = said;
      return said > 8 ? this.failed('a remote frame asks for at most 8 bytes') : at + 14;
    }
    at = skipSpaces(bytes, this.hexPairs(bytes, at, fd ? 64 : 8, space));
    if (at < 0) return at;
    if (this.length !== said) return this.failed(`${said} bytes announced, ${this.length} found`);
    if (startsWith(bytes, at, 'ERRORFRAME') && (this.flags & frameFlag.error) !== 0) {
      this.detailsFollow = true;
      at += 10;
    }
    if (bytes[at] === quote) while (bytes[at] !== newline) at++;
    return at;
  }

  private end(bytes: Uint8Array, from: number): number {
    let at = skipSpaces(bytes, from);
    const letter = bytes[at];
    if (letter === letterR || letter === letterT) {
      this.direction = letter === letterR ? 'R' : 'T';
      at = skipSpaces(bytes, at + 1);
    }
    return bytes[at] === newline ? at + 1 : this.failed('something that is not part of a frame follows');
  }
}

function isDigit(character: number): boolean {
  return character >= 0x30 && character <= 0x39;
}

/** Also skips a carriage return, so that lines may end in both. */
function skipSpaces(bytes: Uint8Array, from: number): number {
  let at = from;
  while (bytes[at] === space || bytes[at] === tab || bytes[at] === 0x0d) at++;
  return at;
}

function startsWith(bytes: Uint8Array, at: number, text: string): boolean {
  for (let i = 0; i < text.length; i++) if (bytes[at + i] !== text.charCodeAt(i)) return false;
  return true;
}

/** `2023-11-14 22:13:20` as seconds since 1970, taken as UTC; NaN when it is no date. */
function dateSeconds(bytes: Uint8Array, from: number): number {
  const text = Buffer.from(bytes.subarray(from, from + 19)).toString('latin1');
  return /^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d$/.test(text) ? Date.parse(`${text.replace(' ', 'T')}Z`) / 1000 : Number.NaN;
}
