// Bins of samples: extremes, count and qualities over equal stretches of time, exact on their edges; the pyramid is made of them.
import { deflateSync } from 'node:zlib';
import { hasValue } from '../channels/quality.ts';
import { ByteReader, ByteWriter, inflated, toSigned, toUnsigned } from './bytes.ts';
import type { Column } from './chunk.ts';
import { readValues, type Scale, writeValues } from './values.ts';

/** Widths of the stored bins, fine and coarse. A window's bins are whole multiples of one of them, so that they are exact. */
export const binWidthsUs = [400_000, 6_400_000] as const;

/**
 * Bins in ascending order, only those that have a sample. Bin `index[i]` covers [index × width, (index + 1) × width).
 * `count` counts samples that carry a number; where it is 0, `min` and `max` are 0 and mean nothing.
 */
export interface Bins {
  index: Float64Array;
  min: Float64Array;
  max: Float64Array;
  count: Uint32Array;
  /** Bit q is set when a sample of quality q fell into the bin. */
  qualities: Uint8Array;
  /** Quality of the last sample of the bin. */
  last: Uint8Array;
}

/** Gathers samples, or finer bins, into bins of one width. */
export class BinBuilder {
  readonly widthUs: number;
  private index: number[] = [];
  private min: number[] = [];
  private max: number[] = [];
  private count: number[] = [];
  private qualities: number[] = [];
  private last: number[] = [];

  constructor(widthUs: number) {
    this.widthUs = widthUs;
  }

  addColumn({ timeUs, value, quality }: Column): void {
    for (let i = 0; i < timeUs.length; i++) {
      const at = this.place(Math.floor((timeUs[i] as number) / this.widthUs));
      const code = quality[i] as number;
      this.qualities[at] = (this.qualities[at] as number) | (1 << code);
      this.last[at] = code;
      if (hasValue(code)) this.widen(at, value[i] as number, value[i] as number, 1);
    }
  }

  /** Takes bins whose width divides this one's. */
  addBins(bins: Bins, widthUs: number): void {
    const ratio = this.widthUs / widthUs;
    for (let i = 0; i < bins.index.length; i++) {
      const at = this.place(Math.floor((bins.index[i] as number) / ratio));
      this.qualities[at] = (this.qualities[at] as number) | (bins.qualities[i] as number);
      this.last[at] = bins.last[i] as number;
      const count = bins.count[i] as number;
      if (count > 0) this.widen(at, bins.min[i] as number, bins.max[i] as number, count);
    }
  }

  taken(): Bins {
    return {
      index: Float64Array.from(this.index),
      min: Float64Array.from(this.min),
      max: Float64Array.from(this.max),
      count: Uint32Array.from(this.count),
      qualities: Uint8Array.from(this.qualities),
      last: Uint8Array.from(this.last),
    };
  }

  private widen(at: number, min: number, max: number, count: number): void {
    if (this.count[at] === 0) {
      this.min[at] = min;
      this.max[at] = max;
    } else {
      if (min < (this.min[at] as number)) this.min[at] = min;
      if (max > (this.max[at] as number)) this.max[at] = max;
    }
    this.count[at] = (this.count[at] as number) + count;
  }

  /** Where bin `index` is kept; nearly always the last one, or one behind it. */
  private place(index: number): number {
    const { length } = this.index;
    let at = length;
    while (at > 0 && (this.index[at - 1] as number) >= index) at--;
    if (this.index[at] === index) return at;
    if (at === length) {
      this.index.push(index);
      this.min.push(0);
      this.max.push(0);
      this.count.push(0);
      this.qualities.push(0);
      this.last.push(0);
    } else
      for (const list of [this.index, this.min, this.max, this.count, this.qualities, this.last])
        list.splice(at, 0, list === this.index ? index : 0);
    return at;
  }
}

export function encodeBins(bins: Bins, scale: Scale | undefined): Uint8Array {
  const out = new ByteWriter(bins.index.length * 20 + 32);
  const { length } = bins.index;
  out.varint(length);
  let last = 0;
  for (const index of bins.index) {
    out.varint(toUnsigned(index - last - 1));
    last = index;
  }
  out.planes(bins.count, length);
  out.raw(bins.qualities);
  out.raw(bins.last);
  const filled = (values: Float64Array): Float64Array => values.filter((_, i) => bins.count[i] !== 0);
  writeValues(out, filled(bins.min), scale);
  writeValues(out, filled(bins.max), scale);
  return deflateSync(out.bytes.subarray(0, out.length));
}

/** @throws Error when the blob is damaged. */
export function decodeBins(blob: Uint8Array): Bins {
  const reader = new ByteReader(inflated(blob));
  const length = reader.varint();
  const index = new Float64Array(length);
  let at = 0;
  for (let i = 0; i < length; i++) {
    at += toSigned(reader.varint()) + 1;
    index[i] = at;
  }
  const counts = new Float64Array(length);
  reader.planes(counts, length);
  const count = Uint32Array.from(counts);
  const qualities = reader.take(length).slice();
  const last = reader.take(length).slice();
  const filled = count.reduce((sum, n) => sum + (n > 0 ? 1 : 0), 0);
  const spread = (values: Float64Array): Float64Array => {
    if (filled === length) return values;
    let next = 0;
    return Float64Array.from(count, (n) => (n > 0 ? (values[next++] as number) : 0));
  };
  const min = spread(readValues(reader, filled));
  const max = spread(readValues(reader, filled));
  return { index, min, max, count, qualities, last };
}
