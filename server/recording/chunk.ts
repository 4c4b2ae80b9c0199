// A chunk: the samples of one channel over one slice as compressed columns, values exact to the last bit.
import { deflateSync } from 'node:zlib';
import { hasValue } from '../channels/quality.ts';
import { ByteReader, ByteWriter, inflated } from './bytes.ts';
import { readTimeColumns, writeTimeColumns } from './times.ts';
import { readValues, type Scale, writeValues } from './values.ts';

/** Samples of one channel, in the order in which they came to be. `value` is 0 where the quality carries no number. */
export interface Column {
  timeUs: Float64Array;
  value: Float64Array;
  quality: Uint8Array;
}

/*
 * Channels whose samples fall on the same times share one column of times (`group`).
 *
 *     group · count · qualities as runs · form · values of the samples that carry a number
 */
// Small windows and tables: chunks are short, and setting up zlib's usual ones would cost more than the work.
const options = { level: 6, windowBits: 13, memLevel: 7 };

export function encodeTimes(timeUs: Float64Array): Uint8Array {
  const out = new ByteWriter(timeUs.length * 3 + 32);
  out.varint(timeUs.length);
  writeTimeColumns(out, [timeUs]);
  return deflateSync(out.bytes.subarray(0, out.length), options);
}

/** @throws Error when the blob is damaged. */
export function decodeTimes(blob: Uint8Array): Float64Array {
  const reader = new ByteReader(inflated(blob));
  const count = reader.varint();
  return readTimeColumns(reader, [count])[0] as Float64Array;
}

export function encodeChunk(column: Column, group: number, scale: Scale | undefined): Uint8Array {
  const out = new ByteWriter(column.value.length * 8 + 64);
  out.varint(group);
  out.varint(column.value.length);
  writeQualities(out, column.quality);
  writeValues(out, numbersOf(column), scale);
  return deflateSync(out.bytes.subarray(0, out.length), options);
}

/** The values that are numbers; nearly always all of them. */
function numbersOf({ value, quality }: Column): Float64Array {
  let numbers = 0;
  for (let i = 0; i < quality.length; i++) if (hasValue(quality[i] as number)) numbers++;
  return numbers === value.length ? value : value.filter((_, i) => hasValue(quality[i] as number));
}

/**
 * @param timesOf Gives the times of a group of the slice.
 * @throws Error when the blob is damaged.
 */
export function decodeChunk(blob: Uint8Array, timesOf: (group: number) => Float64Array): Column {
  const reader = new ByteReader(inflated(blob));
  const timeUs = timesOf(reader.varint());
  const count = reader.varint();
  const quality = readQualities(reader, count);
  let numbers = 0;
  for (let i = 0; i < count; i++) if (hasValue(quality[i] as number)) numbers++;
  const values = readValues(reader, numbers);
  if (numbers === count) return { timeUs, value: values, quality };
  const value = new Float64Array(count);
  for (let i = 0, n = 0; i < count; i++) if (hasValue(quality[i] as number)) value[i] = values[n++] as number;
  return { timeUs, value, quality };
}

function writeQualities(out: ByteWriter, quality: Uint8Array): void {
  for (let i = 0; i < quality.length; ) {
    const from = i;
    while (i < quality.length && quality[i] === quality[from]) i++;
    out.byte(quality[from] as number);
    out.varint(i - from);
  }
}

function readQualities(reader: ByteReader, count: number): Uint8Array {
  const quality = new Uint8Array(count);
  for (let i = 0; i < count; ) {
    const code = reader.byte();
    const run = reader.varint();
    if (run === 0) throw new RangeError('an empty run of qualities');
    quality.fill(code, i, i + run);
    i += run;
  }
  return quality;
}
