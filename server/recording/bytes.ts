// Growing byte buffer and cursor: variable-length integers, doubles, texts and byte planes, from which every stored blob is made.

import { inflateSync } from 'node:zlib';
import { storedBlobBytesMax } from '../limits.ts';

const text = { encoder: new TextEncoder(), decoder: new TextDecoder('utf-8', { fatal: true }) };

/** What a stored blob was made of. @throws RangeError when it would be larger than any of ours is; Error when it is damaged */
export function inflated(blob: Uint8Array): Buffer {
  return inflateSync(blob, { maxOutputLength: storedBlobBytesMax });
}

/** Appends to a buffer that grows. `bytes[0 .. length)` is what was written. */
export class ByteWriter {
  bytes: Uint8Array;
  length = 0;

  constructor(bytesMax = 4096) {
    this.bytes = new Uint8Array(bytesMax);
  }

  /** Makes room for `more` bytes. */
  reserve(more: number): void {
    const needed = this.length + more;
    if (needed <= this.bytes.length) return;
    let size = Math.max(64, this.bytes.length);
    while (size < needed) size *= 2;
    const grown = new Uint8Array(size);
    grown.set(this.bytes.subarray(0, this.length));
    this.bytes = grown;
  }

  byte(value: number): void {
    if (this.length === this.bytes.length) this.reserve(1);
    this.bytes[this.length++] = value;
  }

  /** A whole number of 0 to 2^53 − 1, seven bits a byte, low bits first. */
  varint(value: number): void {
    if (this.length + 8 > this.bytes.length) this.reserve(8);
    let left = value;
    while (left > 0x7fffffff) {
      this.bytes[this.length++] = (left % 128) | 0x80;
      left = Math.floor(left / 128);
    }
    while (left > 0x7f) {
      this.bytes[this.length++] = (left & 0x7f) | 0x80;
      left >>>= 7;
    }
    this.bytes[this.length++] = left;
  }

  /** A whole number of −2^52 to 2^52 − 1: 0, −1, 1, −2, ... as 0, 1, 2, 3, ... */
  signed(value: number): void {
    this.varint(toUnsigned(value));
  }

  double(value: number): void {
    this.reserve(8);
    new DataView(this.bytes.buffer, this.bytes.byteOffset).setFloat64(this.length, value, true);
    this.length += 8;
  }

  /** Bytes as they are; the reader must know how many. */
  raw(bytes: Uint8Array): void {
    this.reserve(bytes.length);
    this.bytes.set(bytes, this.length);
    this.length += bytes.length;
  }

  /** Bytes behind their number. */
  blob(bytes: Uint8Array): void {
    this.varint(bytes.length);
    this.raw(bytes);
  }

  text(value: string): void {
    this.blob(text.encoder.encode(value));
  }

  /**
   * Whole numbers of 0 to 2^53 − 1 as byte planes: all lowest bytes, then all second bytes, ... as many planes as the greatest
   * needs. Planes compress far better than numbers, since high bytes hardly change.
   */
  planes(values: ArrayLike<number>, count: number): void {
    let all = 0;
    let wide = false;
    for (let i = 0; i < count; i++) {
      const value = values[i] as number;
      if (value > 0x7fffffff) wide = true;
      else all |= value;
    }
    const width = wide ? 7 : bytesNeeded(all);
    this.byte(width);
    this.reserve(count * width);
    for (let k = 0, scale = 1; k < width; k++, scale *= 256) {
      const to = this.length;
      const { bytes } = this;
      if (k < 4 && !wide) for (let i = 0; i < count; i++) bytes[to + i] = (values[i] as number) >>> (k * 8);
      else for (let i = 0; i < count; i++) bytes[to + i] = Math.floor((values[i] as number) / scale) % 256;
      this.length += count;
    }
  }

  /** A copy of what was written. */
  taken(): Uint8Array {
    return this.bytes.slice(0, this.length);
  }

  clear(): void {
    this.length = 0;
  }
}

/** Reads what a ByteWriter wrote. Runs past the end throw a RangeError: the bytes are damaged. */
export class ByteReader {
  readonly bytes: Uint8Array;
  at = 0;

  constructor(bytes: Uint8Array) {
    this.bytes = bytes;
  }

  get done(): boolean {
    return this.at >= this.bytes.length;
  }

  byte(): number {
    const value = this.bytes[this.at++];
    if (value === undefined) throw new RangeError('the bytes end too early');
    return value;
  }

  varint(): number {
    let value = 0;
    let scale = 1;
    for (;;) {
      const byte = this.byte();
      value += (byte & 0x7f) * scale;
      if (byte < 0x80) return value;
      scale *= 128;
      if (scale > Number.MAX_SAFE_INTEGER) throw new RangeError('a number is too long');
    }
  }

  signed(): number {
    return toSigned(this.varint());
  }

  double(): number {
    const from = this.take(8);
    return new DataView(from.buffer, from.byteOffset, 8).getFloat64(0, true);
  }

  /** A view of the next `count` bytes. */
  take(count: number): Uint8Array {
    if (this.at + count > this.bytes.length) throw new RangeError('the bytes end too early');
    const view = this.bytes.subarray(this.at, this.at + count);
    this.at += count;
    return view;
  }

  blob(): Uint8Array {
    return this.take(this.varint());
  }

  text(): string {
    return text.decoder.decode(this.blob());
  }

  /** What `planes` wrote; `into` holds at least `count`. */
  planes(into: Float64Array, count: number): void {
    const width = this.byte();
    into.fill(0, 0, count);
    for (let k = 0, scale = 1; k < width; k++, scale *= 256) {
      const plane = this.take(count);
      for (let i = 0; i < count; i++) into[i] = (into[i] as number) + (plane[i] as number) * scale;
    }
  }
}

/** Zigzag: small numbers of either sign become small unsigned ones. */
export function toUnsigned(value: number): number {
  return value >= 0 ? value * 2 : -value * 2 - 1;
}

export function toSigned(value: number): number {
  return value % 2 === 0 ? value / 2 : -(value + 1) / 2;
}

function bytesNeeded(bits: number): number {
  if (bits === 0) return 0;
  return Math.ceil((32 - Math.clz32(bits)) / 8);
}
