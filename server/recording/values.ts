// Columns of numbers, each exact to the last bit, in the smallest of a few forms.
import { type ByteReader, type ByteWriter, toSigned, toUnsigned } from './bytes.ts';

/** How a signal's value came from a whole number: value = raw × factor + offset. */
export interface Scale {
  factor: number;
  offset: number;
}

/*
 * The first form that reproduces every value is taken: all alike; whole numbers behind factor and offset, as differences; few different
 * values, as a list and places in it; else the doubles themselves, each as its difference in bits to the one before.
 */
const form = { same: 0, scaled: 1, listed: 2, doubles: 3 } as const;
const listedMax = 256;

/** Writes numbers so that each comes back bit for bit. `scale` is tried first where it is given. */
export function writeValues(out: ByteWriter, values: Float64Array, scale: Scale | undefined): void {
  if (values.length === 0) return;
  if (isConstant(values)) {
    out.byte(form.same);
    out.double(values[0] as number);
    return;
  }
  if (writeScaled(out, values, scale ?? { factor: 1, offset: 0 })) return;
  if (writeListed(out, values)) return;
  writeDoubles(out, values);
}

function isConstant(values: Float64Array): boolean {
  const first = values[0] as number;
  for (let i = 1; i < values.length; i++) if (!Object.is(values[i], first)) return false;
  return true;
}

/** What `writeValues` wrote. @throws RangeError when the bytes are damaged. */
export function readValues(reader: ByteReader, count: number): Float64Array {
  const values = new Float64Array(count);
  if (count === 0) return values;
  const how = reader.byte();
  if (how === form.same) return values.fill(reader.double());
  if (how === form.scaled) return readScaled(reader, values);
  if (how === form.listed) return readListed(reader, values);
  if (how === form.doubles) return readDoubles(reader, values);
  throw new RangeError(`unknown form of values ${how}`);
}

/** Whole numbers that give each value exactly by the decoder's own formula; false when there are none. */
function writeScaled(out: ByteWriter, values: Float64Array, { factor, offset }: Scale): boolean {
  const steps = new Float64Array(values.length);
  let last = 0;
  for (let i = 0; i < values.length; i++) {
    const value = values[i] as number;
    const raw = Math.round((value - offset) / factor);
    if (!(Math.abs(raw) < 2 ** 40) || !Object.is(raw * factor + offset, value)) return false;
    steps[i] = toUnsigned(raw - last);
    last = raw;
  }
  out.byte(form.scaled);
  out.double(factor);
  out.double(offset);
  out.varint(steps[0] as number);
  out.planes(steps.subarray(1), steps.length - 1);
  return true;
}

function readScaled(reader: ByteReader, values: Float64Array): Float64Array {
  const factor = reader.double();
  const offset = reader.double();
  let raw = toSigned(reader.varint());
  const steps = new Float64Array(values.length - 1);
  reader.planes(steps, steps.length);
  values[0] = raw * factor + offset;
  for (let i = 1; i < values.length; i++) {
    raw += toSigned(steps[i - 1] as number);
    values[i] = raw * factor + offset;
  }
  return values;
}

function writeListed(out: ByteWriter, values: Float64Array): boolean {
  const most = Math.min(listedMax, values.length >> 2);
  const seen = new Set<number>();
  for (const value of values) {
    // A set doesn't tell −0 from 0, and the last bit counts.
    if (Object.is(value, -0)) return false;
    seen.add(value);
    if (seen.size > most) return false;
  }
  const list = [...seen].sort((a, b) => a - b);
  const place = new Map(list.map((value, i) => [value, i]));
  out.byte(form.listed);
  out.varint(list.length);
  for (const value of list) out.double(value);
  for (const value of values) out.byte(place.get(value) as number);
  return true;
}

function readListed(reader: ByteReader, values: Float64Array): Float64Array {
  const list = Array.from({ length: reader.varint() }, () => reader.double());
  const places = reader.take(values.length);
  for (let i = 0; i < values.length; i++) {
    const value = list[places[i] as number];
    if (value === undefined) throw new RangeError('a place outside the list of values');
    values[i] = value;
  }
  return values;
}

function writeDoubles(out: ByteWriter, values: Float64Array): void {
  out.byte(form.doubles);
  const bytes = new Uint8Array(values.buffer, values.byteOffset, values.length * 8);
  out.reserve(bytes.length);
  for (let b = 7; b >= 0; b--) {
    for (let i = 0, at = b; i < values.length; i++, at += 8) {
      out.bytes[out.length++] = (bytes[at] as number) ^ (i === 0 ? 0 : (bytes[at - 8] as number));
    }
  }
}

function readDoubles(reader: ByteReader, values: Float64Array): Float64Array {
  const bytes = new Uint8Array(values.buffer, values.byteOffset, values.length * 8);
  for (let b = 7; b >= 0; b--) {
    const plane = reader.take(values.length);
    let last = 0;
    for (let i = 0, at = b; i < values.length; i++, at += 8) {
      last ^= plane[i] as number;
      bytes[at] = last;
    }
  }
  return values;
}
