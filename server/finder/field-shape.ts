// Whether a place looks like one number and like the whole of it: from how often its bits turn, and from how devices lay out frames.
import { bitsFromLowest, type Field, lessSignificant, moreSignificant } from './field-search.ts';
import type { IdFrames } from './frame-columns.ts';

/** By bit of one id: the share of frames in which it differs from the frame before, and its value where it never does. */
export class BitTurns {
  readonly bits: number;
  readonly turns: Float64Array;
  private readonly pairs: number;
  /** Of the first frame. */
  private readonly first: Uint8Array;

  /** @param index The frames that count, in order: all of an id, or those of one page. */
  constructor(frames: IdFrames, index: Int32Array) {
    this.bits = frames.lengthBytes * 8;
    this.turns = new Float64Array(this.bits);
    this.pairs = Math.max(1, index.length - 1);
    this.first = Uint8Array.from({ length: frames.lengthBytes }, (_, byte) => frames.byteAt(index[0] ?? 0, byte));
    for (let byte = 0; byte < frames.lengthBytes; byte++) this.countTurns(frames, index, byte);
  }

  private countTurns(frames: IdFrames, index: Int32Array, byte: number): void {
    const counts = new Float64Array(256);
    for (let i = 1; i < index.length; i++) {
      const turned = frames.byteAt(index[i] as number, byte) ^ frames.byteAt(index[i - 1] as number, byte);
      counts[turned] = (counts[turned] as number) + 1;
    }
    for (let bit = 0; bit < 8; bit++) {
      let turned = 0;
      for (let value = 0; value < 256; value++) if ((value >> bit) & 1) turned += counts[value] as number;
      this.turns[byte * 8 + bit] = turned / this.pairs;
    }
  }

  turnsOf(bit: number): number {
    return this.turns[bit] as number;
  }

  /** Whether one bit turns more often than another by more than chance. */
  turnsMore(bit: number, other: number): boolean {
    const [a, b] = [this.turnsOf(bit), this.turnsOf(other)];
    return a - b > 2.5 * Math.sqrt((a + b) / this.pairs);
  }

  /** Whether no bit of a byte ever turned; with `value`, and all of them are that. */
  isIdle(byte: number, value?: 0 | 1): boolean {
    for (let bit = byte * 8; bit < byte * 8 + 8; bit++) if (this.turnsOf(bit) > 0) return false;
    return value === undefined || this.first[byte] === value * 255;
  }
}

/** Turns of neighbouring bits differ by chance; less than this says nothing. */
const chance = 0.03;

/** What is known of a place's surroundings. */
export interface Surroundings {
  /** In the frames in which the field is there. */
  here: BitTurns;
  /** In all frames of the id: the same for one without pages. */
  everywhere: BitTurns;
}

/**
 * How little a place looks like one whole number, 0 to about 2. From the highest bit of a number down to its lowest, bits turn ever more
 * often; where they turn less again another number begins, and where the next bit goes on in the same manner the number does too.
 * Whole bytes are usual, then half bytes. Weights are tuned on simulated buses; no source.
 */
export function oddityOf(field: Field, around: Surroundings): number {
  const bits = bitsFromLowest(field, around.here.bits);
  const inside = dropsInside(bits, around.here) + unusualSize(field, bits, around.here) + idleTop(field, bits, around.here);
  return inside + cutBelow(field, bits, around.here) + cutAbove(field, bits, around);
}

function dropsInside(bits: readonly number[], turns: BitTurns): number {
  let worst = 0;
  let least = Number.POSITIVE_INFINITY;
  for (const bit of bits) {
    const now = turns.turnsOf(bit);
    if (now - least > worst) worst = now - least;
    if (now < least) least = now;
  }
  return worst <= chance ? 0 : Math.min(0.6, 0.1 + 1.5 * worst);
}

/** The bit below turns more often, as the next one of the same number would; or the lowest bit itself never turns. */
function cutBelow(field: Field, bits: readonly number[], turns: BitTurns): number {
  const { byteOrder } = field;
  const lowest = bits[0] as number;
  if (turns.turnsOf(lowest) === 0) return 0.3;
  if (isUpperPart(field, bits, turns)) return 0.3;
  const below = lessSignificant(lowest, byteOrder, turns.bits);
  if (below === undefined || turns.turnsOf(lowest) > 0.45) return 0;
  if (turns.turnsMore(below, lowest)) return 0.3;
  // As often: both may be noise of one number, or of two.
  return turns.turnsOf(below) > 0 && !turns.turnsMore(lowest, below) ? 0.1 : 0;
}

/** The lower part of a byte that never fills it, and the next byte goes on as a big-endian number would. */
function isUpperPart({ bitLength }: Field, bits: readonly number[], turns: BitTurns): boolean {
  const [lowest = 0] = bits;
  if (bitLength > 8 || (lowest & 7) !== 0 || turns.turnsOf(lowest | 7) > 0) return false;
  const below = lessSignificant(lowest, 'big', turns.bits);
  return below !== undefined && turns.turnsMore(below, lowest);
}

/** The bit above turns too, and not more often than the highest one, here or on other pages. */
function cutAbove({ byteOrder }: Field, bits: readonly number[], { here, everywhere }: Surroundings): number {
  const highest = bits.at(-1) as number;
  const above = moreSignificant(highest, byteOrder, here.bits);
  if (above === undefined) return 0;
  const turns = here.turnsOf(above) > 0 ? here : everywhere;
  if (turns.turnsOf(above) === 0 || turns.turnsOf(highest) === 0) return 0;
  return turns.turnsOf(above) <= turns.turnsOf(highest) + chance / 3 ? 0.3 : 0;
}

function unusualSize({ bitLength, sign }: Field, bits: readonly number[], turns: BitTurns): number {
  const lowest = bits[0] as number;
  const signed = sign === 'signed' ? 0.05 : 0;
  const onByte = (lowest & 7) === 0;
  if (onByte && [8, 16, 32].includes(bitLength)) return signed;
  if (onByte && bitLength === 24) return signed + 0.1;
  // Half a byte of which every bit is in use is usual too.
  if (bitLength === 4 && (lowest & 3) === 0) return signed + (turns.turnsOf(bits[3] as number) > 0 ? 0 : 0.15);
  if (bitLength === 1 || (bitLength === 2 && (lowest & 1) === 0)) return signed + 0.15;
  if (onByte && (bitLength === 12 || bitLength === 10)) return signed + 0.2;
  return signed + 0.3;
}

/**
 * Bits at the top that never move: perhaps the upper part of the number, perhaps nobody's. A byte of ones is nobody's; one of zeros may
 * be, where the byte behind it is the same or the frame ends; any other byte rather belongs to the number, unless that gets long.
 */
function idleTop(field: Field, bits: readonly number[], turns: BitTurns): number {
  let oddity = 0;
  let idle = 0;
  while (idle < bits.length && turns.turnsOf(bits[bits.length - 1 - idle] as number) === 0) idle++;
  for (let k = bits.length - 8; k >= bits.length - idle; k -= 8) {
    const byte = (bits[k] as number) >> 3;
    if (turns.isIdle(byte, 1)) oddity += 0.5;
    else if (turns.isIdle(byte, 0)) oddity += isPadding(byte, field, turns) ? 0.1 : 0;
    // A long number of which only the lower part ever moves, far from zero.
    else if (bits.length > 16) oddity += 0.15;
  }
  if (idle % 8 !== 0) oddity += 0.01 * (idle % 8);
  return oddity + loneByte(field, bits, turns);
}

/** One byte alone where the next would rather be its upper part. */
function loneByte(field: Field, bits: readonly number[], turns: BitTurns): number {
  const above = moreSignificant(bits.at(-1) as number, field.byteOrder, turns.bits);
  if (bits.length % 8 !== 0 || above === undefined || (above & 7) !== 0) return 0;
  const byte = above >> 3;
  if (!turns.isIdle(byte) || turns.isIdle(byte, 1)) return 0;
  return turns.isIdle(byte, 0) && isPadding(byte, field, turns) ? 0 : 0.05;
}

/** A byte of zeros at the frame's end, or beside more of them; not where it fills up a word of two bytes inside the frame. */
function isPadding(byte: number, { byteOrder }: Field, turns: BitTurns): boolean {
  const beyond = byteOrder === 'little' ? byte + 1 : byte - 1;
  if (beyond < 0 || beyond * 8 >= turns.bits) return true;
  const fillsWord = byte % 2 === (byteOrder === 'little' ? 1 : 0);
  return !fillsWord && turns.isIdle(beyond, 0);
}
