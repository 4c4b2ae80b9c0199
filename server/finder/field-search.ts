// Every field of one id against a stimulus: how well each follows it, from the covariances of single bits.
import { leftPosition } from '../codec/bits.ts';
import type { IdFrames } from './frame-columns.ts';

/** A place that a signal could have; bits are numbered byte × 8 + bit, bit 0 the least significant. */
export interface Field {
  /** As in device files. */
  startBit: number;
  bitLength: number;
  byteOrder: 'little' | 'big';
  sign: 'unsigned' | 'signed';
}

/** A field that follows the stimulus. */
export interface Fit {
  field: Field;
  /** Index of the variant that it follows best. */
  variant: number;
  /** Correlation with it, −1 to 1. */
  r: number;
}

/** Pairs of a frame and the stimulus at its time. */
export interface Pairs {
  frames: IdFrames;
  /** Which frames. */
  index: Int32Array;
  /** A column a variant, with NaN where nothing is known. */
  stimulus: readonly Float64Array[];
}

export const bitLengthMax = 32;
const pairsMin = 8;
/** Fields that follow less well than this are not kept. */
const rMin = 0.5;

/** How many fields are tried in frames of so many bytes. */
export function countFields(lengthBytes: number): number {
  let count = 0;
  for (let low = 0; low < lengthBytes * 8; low++) count += Math.min(bitLengthMax, lengthBytes * 8 - low) * 4;
  return count;
}

/**
 * Tries every start, length (1 to 32), byte order and sign.
 *
 * A field's raw value is Σ 2^k × bit k, so its covariance with the stimulus is Σ 2^k × cov(bit k, stimulus) and its variance
 * ΣΣ 2^(k+l) × cov(bit k, bit l): the frames are gone through once, not once a field. Sums over covariances
 * lose digits where many bits turn at once: `refineFit` computes those that matter from the raw values themselves.
 */
export function searchFields(pairs: Pairs): Fit[] {
  if (pairs.index.length < pairsMin) return [];
  const bits = new BitStatistics(pairs);
  if (!bits.moves) return [];
  const found: Fit[] = [];
  for (const byteOrder of ['little', 'big'] as const) collect(bits, byteOrder, found);
  return found;
}

/** Single bits of the paired frames: how often set, how they vary together, how they vary with the stimulus. */
class BitStatistics {
  readonly bits: number;
  readonly moves: boolean;
  readonly variants: number;
  /** By bit: whether it ever differs between the paired frames. */
  private readonly moving: boolean[];
  private readonly covariance: Float64Array;
  /** variant × bits. */
  private readonly withStimulus: Float64Array;
  private readonly stimulusVariance: Float64Array;

  constructor({ frames, index, stimulus }: Pairs) {
    this.bits = frames.lengthBytes * 8;
    this.variants = stimulus.length;
    const sets = toBitSets(frames, index);
    const set = sets.map(countBits);
    this.moving = set.map((count) => count > 0 && count < index.length);
    this.moves = this.moving.includes(true);
    this.covariance = new Float64Array(this.bits * this.bits);
    this.fillCovariance(sets, set, index.length);
    this.withStimulus = new Float64Array(this.variants * this.bits);
    this.stimulusVariance = new Float64Array(this.variants);
    for (const [v, column] of stimulus.entries()) this.fillStimulus(frames, index, column, v);
  }

  isMoving(bit: number): boolean {
    return this.moving[bit] === true;
  }

  between(a: number, b: number): number {
    return this.covariance[a * this.bits + b] as number;
  }

  with(variant: number, bit: number): number {
    return this.withStimulus[variant * this.bits + bit] as number;
  }

  varianceOf(variant: number): number {
    return this.stimulusVariance[variant] as number;
  }

  private fillCovariance(sets: readonly Uint32Array[], set: readonly number[], n: number): void {
    for (let a = 0; a < this.bits; a++) {
      if (!this.moving[a]) continue;
      for (let b = a; b < this.bits; b++) {
        // A field of 32 bits never reaches over more than five bytes.
        if (!this.moving[b] || (b >> 3) - (a >> 3) > 4) continue;
        const both = a === b ? (set[a] as number) : countCommon(sets[a] as Uint32Array, sets[b] as Uint32Array);
        const value = (n * both - (set[a] as number) * (set[b] as number)) / (n * n);
        this.covariance[a * this.bits + b] = value;
        this.covariance[b * this.bits + a] = value;
      }
    }
  }

  /** Sums of the stimulus by byte value: eight additions a frame, whatever the number of bits. */
  private fillStimulus(frames: IdFrames, index: Int32Array, column: Float64Array, variant: number): void {
    const sums = new Float64Array(frames.lengthBytes * 256);
    const counts = new Float64Array(frames.lengthBytes * 256);
    let [n, sum] = [0, 0];
    for (const y of column) {
      if (Number.isNaN(y)) continue;
      n++;
      sum += y;
    }
    const mean = n === 0 ? 0 : sum / n;
    let squares = 0;
    for (let i = 0; i < index.length; i++) {
      const y = (column[i] as number) - mean;
      if (Number.isNaN(y)) continue;
      squares += y * y;
      for (let byte = 0; byte < frames.lengthBytes; byte++) {
        const at = byte * 256 + frames.byteAt(index[i] as number, byte);
        sums[at] = (sums[at] as number) + y;
        counts[at] = (counts[at] as number) + 1;
      }
    }
    this.stimulusVariance[variant] = n < pairsMin ? 0 : squares / n;
    for (let bit = 0; bit < this.bits; bit++) {
      if (!this.moving[bit] || n === 0) continue;
      let withBit = 0;
      for (let value = 0; value < 256; value++) if ((value >> (bit & 7)) & 1) withBit += sums[(bit >> 3) * 256 + value] as number;
      this.withStimulus[variant * this.bits + bit] = withBit / n;
    }
  }
}

function toBitSets(frames: IdFrames, index: Int32Array): Uint32Array[] {
  const words = (index.length + 31) >> 5;
  const sets = Array.from({ length: frames.lengthBytes * 8 }, () => new Uint32Array(words));
  for (let byte = 0; byte < frames.lengthBytes; byte++) {
    const own = sets.slice(byte * 8, byte * 8 + 8) as Uint32Array[];
    for (let i = 0; i < index.length; i++) {
      const value = frames.byteAt(index[i] as number, byte);
      const mask = 1 << (i & 31);
      for (let bit = 0; bit < 8; bit++)
        if ((value >> bit) & 1) (own[bit] as Uint32Array)[i >> 5] = ((own[bit] as Uint32Array)[i >> 5] as number) | mask;
    }
  }
  return sets;
}

function countBits(set: Uint32Array): number {
  let count = 0;
  for (let i = 0; i < set.length; i++) count += ones(set[i] as number);
  return count;
}

function countCommon(a: Uint32Array, b: Uint32Array): number {
  let count = 0;
  for (let i = 0; i < a.length; i++) count += ones((a[i] as number) & (b[i] as number));
  return count;
}

/** Set bits of a 32-bit word. */
function ones(word: number): number {
  let x = word - ((word >>> 1) & 0x55555555);
  x = (x & 0x33333333) + ((x >>> 2) & 0x33333333);
  return Math.imul((x + (x >>> 4)) & 0x0f0f0f0f, 0x01010101) >>> 24;
}

/** Grows a field from each lowest bit upward, one more significant bit at a time. */
function collect(bits: BitStatistics, byteOrder: 'little' | 'big', found: Fit[]): void {
  const withStimulus = new Float64Array(bits.variants);
  for (let lowest = 0; lowest < bits.bits; lowest++) {
    withStimulus.fill(0);
    let variance = 0;
    const taken: number[] = [];
    for (
      let bit: number | undefined = lowest, k = 0;
      bit !== undefined && k < bitLengthMax;
      bit = moreSignificant(bit, byteOrder, bits.bits), k++
    ) {
      const weight = 2 ** k;
      let cross = 0;
      for (let j = 0; j < k; j++) cross += 2 ** j * bits.between(bit, taken[j] as number);
      const own = weight * weight * bits.between(bit, bit);
      const moving = bits.isMoving(bit);
      if (moving) {
        // Signed: the highest bit counts negative.
        enter(
          bits,
          found,
          toField(lowest, k + 1, byteOrder, 'signed', bit),
          variance + own - 2 * weight * cross,
          withStimulus,
          -weight,
          bit,
        );
      }
      for (let v = 0; v < bits.variants; v++) withStimulus[v] = (withStimulus[v] as number) + weight * bits.with(v, bit);
      variance += own + 2 * weight * cross;
      enter(bits, found, toField(lowest, k + 1, byteOrder, 'unsigned', bit), variance, withStimulus, 0, bit);
      taken.push(bit);
    }
  }
}

function enter(
  bits: BitStatistics,
  found: Fit[],
  field: Field,
  variance: number,
  withStimulus: Float64Array,
  extraWeight: number,
  bit: number,
): void {
  // Inside one byte both orders are the same field.
  if (field.byteOrder === 'big' && isWithinByte(field)) return;
  if (!(variance > 0)) return;
  let best = 0;
  let variant = -1;
  for (let v = 0; v < bits.variants; v++) {
    const spread = bits.varianceOf(v);
    if (spread <= 0) continue;
    const covariance = (withStimulus[v] as number) + extraWeight * bits.with(v, bit);
    const r = covariance / Math.sqrt(variance * spread);
    // A later variant must be clearly better than an earlier, simpler one.
    if (Math.abs(r) > Math.abs(best) + (variant < 0 ? 0 : 1e-6)) {
      best = r;
      variant = v;
    }
  }
  if (variant >= 0 && Math.abs(best) >= rMin) found.push({ field, variant, r: Math.max(-1, Math.min(1, best)) });
}

/** The next more significant bit of a field; undefined at the frame's end. */
export function moreSignificant(bit: number, byteOrder: 'little' | 'big', bits: number): number | undefined {
  if (byteOrder === 'little') return bit + 1 < bits ? bit + 1 : undefined;
  if ((bit & 7) !== 7) return bit + 1;
  return bit >= 8 ? bit - 15 : undefined;
}

/** The next less significant bit of a field; undefined at the frame's beginning or end. */
export function lessSignificant(bit: number, byteOrder: 'little' | 'big', bits: number): number | undefined {
  if (byteOrder === 'little') return bit > 0 ? bit - 1 : undefined;
  if ((bit & 7) !== 0) return bit - 1;
  return bit + 15 < bits ? bit + 15 : undefined;
}

function toField(lowest: number, bitLength: number, byteOrder: 'little' | 'big', sign: Field['sign'], highest: number): Field {
  return { startBit: byteOrder === 'little' ? lowest : highest, bitLength, byteOrder, sign };
}

function isWithinByte({ startBit, bitLength }: Field): boolean {
  return (startBit & 7) + 1 >= bitLength;
}

/** The least significant bit of a field. */
export function lowestBitOf({ startBit, bitLength, byteOrder }: Field): number {
  return byteOrder === 'little' ? startBit : leftPosition(leftPosition(startBit) + bitLength - 1);
}

/** Bits of a field, the least significant first. */
export function bitsFromLowest({ startBit, bitLength, byteOrder }: Field, bits: number): number[] {
  const found: number[] = [];
  const step = byteOrder === 'little' ? moreSignificant : lessSignificant;
  for (let bit: number | undefined = startBit; bit !== undefined && found.length < bitLength; bit = step(bit, byteOrder, bits))
    found.push(bit);
  return byteOrder === 'little' ? found : found.reverse();
}

/** Raw values of a field of at most 32 bits in some frames. */
export function rawValues(frames: IdFrames, index: Int32Array, field: Field): Float64Array {
  const bits = bitsFromLowest(field, frames.lengthBytes * 8);
  // At most five bytes, the least significant first; then the bits below the field go, and those above.
  const bytes = [...new Set(bits.map((bit) => bit >> 3))];
  const below = 2 ** ((bits[0] as number) & 7);
  const range = 2 ** bits.length;
  const negativeFrom = field.sign === 'signed' ? range / 2 : Number.POSITIVE_INFINITY;
  const values = new Float64Array(index.length);
  for (let n = 0; n < index.length; n++) {
    const i = index[n] as number;
    let word = 0;
    for (let k = bytes.length - 1; k >= 0; k--) word = word * 256 + frames.byteAt(i, bytes[k] as number);
    const raw = Math.floor(word / below) % range;
    values[n] = raw >= negativeFrom ? raw - range : raw;
  }
  return values;
}

/** The same fit from the raw values; undefined when they don't vary. */
export function refineFit(pairs: Pairs, { field, variant }: Fit): Fit | undefined {
  const raw = rawValues(pairs.frames, pairs.index, field);
  let best: Fit | undefined;
  for (const v of new Set([0, variant])) {
    const fit = fitLine(raw, pairs.stimulus[v] as Float64Array);
    if (fit && (!best || Math.abs(fit.r) > Math.abs(best.r))) best = { field, variant: v, r: fit.r };
  }
  return best;
}

/** Least squares of y on x where both are known; undefined where either doesn't vary. `r` is their correlation. */
export function fitLine(x: Float64Array, y: Float64Array): { r: number; factor: number; offset: number } | undefined {
  let [n, sumX, sumY] = [0, 0, 0];
  for (let i = 0; i < x.length; i++) {
    if (Number.isNaN(y[i] as number)) continue;
    n++;
    sumX += x[i] as number;
    sumY += y[i] as number;
  }
  const [meanX, meanY] = [sumX / n, sumY / n];
  let [xx, yy, xy] = [0, 0, 0];
  for (let i = 0; i < x.length; i++) {
    if (Number.isNaN(y[i] as number)) continue;
    const [dx, dy] = [(x[i] as number) - meanX, (y[i] as number) - meanY];
    xx += dx * dx;
    yy += dy * dy;
    xy += dx * dy;
  }
  if (n < pairsMin || xx <= 0 || yy <= 0) return undefined;
  const factor = xy / xx;
  return { r: Math.max(-1, Math.min(1, xy / Math.sqrt(xx * yy))), factor, offset: meanY - factor * meanX };
}
