// A device manual's table turned into a device file: read, laid out under the ways of counting that manuals have, and checked like any file.

import { bytesNeeded, leftPosition } from '../codec/bits.ts';
import { type BitPlace, bitsOf } from './bit-layout.ts';
import { parseVehicle } from './load-vehicle.ts';
import { toFlowText } from './splice.ts';
import type { TablePlace } from './table-cells.ts';
import { type ReadTable, readTable } from './table-columns.ts';
import type { TableField } from './table-headings.ts';
import { type RowNote, readRows, type TableFrame, type TableSignal } from './table-rows.ts';
import type { Problem } from './vehicle.ts';

/**
 * How a table numbers bits.
 *
 * - `lsb0`: bit 0 is the least significant of byte 0; the start bit of a big-endian signal is its most significant, as in device files.
 * - `lsb0-low`: the same numbers, and the start bit is the least significant one whatever the byte order.
 * - `msb0`: bit 0 is the most significant of byte 0, and bits are counted as they are sent.
 */
export type BitNumbering = 'lsb0' | 'lsb0-low' | 'msb0';
export const bitNumberings: readonly BitNumbering[] = ['lsb0', 'lsb0-low', 'msb0'];

export interface TableOptions {
  /** Name of the device. */
  device: string;
  title?: string;
  /** Field → heading; '' leaves the field out. */
  columns?: Partial<Record<TableField, string>>;
  idBase?: 'hex' | 'dec';
  countFrom?: 0 | 1;
  bitNumbering?: BitNumbering;
  /** Of signals of which the table doesn't say it; little by default. */
  byteOrder?: 'little' | 'big';
}

/** A signal where the table puts it. */
export interface PlacedSignal {
  name: string;
  row: number;
  /** Bits of the frame, byte × 8 + bit; empty where its place can't be. */
  bits: number[];
  unit: string;
  /** Of a multiplexed frame: `page: 0`. */
  when?: string;
  conflict: boolean;
}

export interface PlacedFrame {
  name: string;
  row: number;
  id?: number;
  pgn?: number;
  extended: boolean;
  lengthBytes: number;
  signals: PlacedSignal[];
}

/** What became of a table. */
export interface ImportedTable {
  headingRow: number;
  headings: string[];
  /** Field → heading that it was read from. */
  columns: Partial<Record<TableField, string>>;
  unusedHeadings: string[];
  idBase: 'hex' | 'dec';
  countFrom: 0 | 1;
  bitNumbering: BitNumbering;
  frames: PlacedFrame[];
  /** What must be mended first, by row. With any, the file would not be valid. */
  conflicts: RowNote[];
  /** What was left out or taken for granted. */
  notes: RowNote[];
  /** The device file. */
  text: string;
}

interface Counting {
  countFrom: 0 | 1;
  bitNumbering: BitNumbering;
}

/** The table under one way of counting. */
interface Laid extends Counting {
  text: string;
  frames: PlacedFrame[];
  conflicts: RowNote[];
  warnings: RowNote[];
  /** Fewer is better: conflicts, and signs that the table isn't meant so. */
  doubts: number;
}

/**
 * Reads a table and lays it out. Where the table doesn't say how it counts, the way with the fewest conflicts is taken; when several do,
 * the first, and a note says what else it could be. Pure.
 *
 * @returns undefined when no row of headings says what, in which frame and where.
 */
export function importTable(text: string, options: TableOptions): ImportedTable | undefined {
  const table = readTable(text, options.columns);
  if (!table) return undefined;
  const rows = readRows(table, options.idBase);
  const ways = listWays(table, options).map((way) => layOut(rows.frames, way, options));
  const best = ways.reduce((a, b) => (b.doubts < a.doubts ? b : a));
  const notes = [
    ...rows.notes,
    ...best.warnings,
    ...orderNotes(rows.frames, options),
    ...otherWays(best, ways),
    ...lengthNotes(rows.frames, best),
  ];
  return {
    headingRow: table.headingRow,
    headings: table.headings,
    columns: Object.fromEntries(Object.values(table.columns).map(({ field, heading }) => [field, heading])),
    unusedHeadings: table.unused,
    idBase: rows.idBase,
    countFrom: best.countFrom,
    bitNumbering: best.bitNumbering,
    frames: best.frames,
    conflicts: [...rows.conflicts, ...best.conflicts].sort((a, b) => (a.row ?? 0) - (b.row ?? 0)),
    notes: notes.sort((a, b) => (a.row ?? 0) - (b.row ?? 0)),
    text: best.text,
  };
}

/** The likeliest way first: from 0 with bit 0 the least significant, from 1 where parameter groups are told. */
function listWays(table: ReadTable, options: TableOptions): Counting[] {
  const likely: (0 | 1)[] = table.columns.pgn || /\b1.?based|from 1\b/i.test(table.headings.join(' ')) ? [1, 0] : [0, 1];
  const from = options.countFrom === undefined ? likely : [options.countFrom];
  const numberings = options.bitNumbering === undefined ? bitNumberings : [options.bitNumbering];
  return numberings.flatMap((bitNumbering) => from.map((countFrom) => ({ countFrom, bitNumbering })));
}

function otherWays(best: Laid, ways: readonly Laid[]): RowNote[] {
  const others = ways.filter((way) => way.text !== best.text && way.doubts === best.doubts);
  const distinct = others.filter((way, i) => others.findIndex(({ text }) => text === way.text) === i);
  if (distinct.length === 0) return [];
  const say = `the table could also be counted otherwise: taken is ${toWords(best)}; just as possible: ${distinct.map(toWords).join('; ')}`;
  return [{ say, fix: 'Compare a signal with the manual, and choose with --count-from and --bit-numbering.' }];
}

function toWords({ countFrom, bitNumbering }: Counting): string {
  return `from ${countFrom}, ${bitNumbering}`;
}

function orderNotes(frames: readonly TableFrame[], { byteOrder }: TableOptions): RowNote[] {
  const open = frames
    .flatMap(({ signals }) => signals)
    .filter((signal) => !signal.byteOrder && (signal.bitLength ?? bitsTold(signal.place)) > 8);
  const [first] = open;
  if (!first || byteOrder) return [];
  const say = `the byte order of ${open.length} signals is not said, '${first.name}' (row ${first.row}) the first: little is taken`;
  return [{ say, fix: 'Say --byte-order big if the most significant byte comes first.' }];
}

function bitsTold({ byte }: TablePlace): number {
  return byte?.last === undefined ? 8 : (byte.last - byte.first + 1) * 8;
}

function lengthNotes(frames: readonly TableFrame[], best: Laid): RowNote[] {
  const open = frames.filter(({ lengthBytes }) => lengthBytes === undefined);
  if (open.length === 0) return [];
  const lengths = open.map(({ name }) => `${name} ${best.frames.find((one) => one.name === name)?.lengthBytes}`);
  return [
    {
      say: `the length of ${open.length === 1 ? 'a frame' : `${open.length} frames`} is not said; bytes taken, as many as the signals need: ${lengths.join(', ')}`,
    },
  ];
}

function layOut(frames: readonly TableFrame[], way: Counting, options: TableOptions): Laid {
  const writer = new DeviceWriter(options);
  const conflicts: RowNote[] = [];
  const placed = frames.map((frame) => {
    const signals = frame.signals.map((signal) => ({ signal, place: toBitPlace(signal, way, options.byteOrder ?? 'little') }));
    for (const { signal, place } of signals)
      if (typeof place === 'string') conflicts.push({ row: signal.row, say: place, fix: 'Mend its place.' });
    const needed = Math.max(
      1,
      ...signals.map(({ place }) => (typeof place === 'string' ? 0 : bytesNeeded({ ...place, sign: 'unsigned' }))),
    );
    const lengthBytes = frame.lengthBytes ?? (frame.pgn === undefined && needed > 8 ? fdLengthFor(needed) : needed);
    writer.writeFrame(frame, lengthBytes, signals);
    return toPlacedFrame(frame, lengthBytes, signals);
  });
  const found = writer.check();
  conflicts.push(...found.errors);
  const bad = new Set(conflicts.map(({ row }) => row));
  for (const { signals } of placed) for (const signal of signals) signal.conflict = bad.has(signal.row);
  const tooLong = placed.filter(
    (frame, i) => frames[i]?.lengthBytes === undefined && frame.pgn === undefined && frame.lengthBytes > 8,
  ).length;
  const doubts = conflicts.length + tooLong / 2 + placed.flatMap(({ signals }) => signals).filter(isAstray).length / 4;
  return { ...way, text: writer.text, frames: placed, conflicts, warnings: found.warnings, doubts };
}

/** Whole bytes that begin in the middle of one: possible, and seldom meant. */
function isAstray({ bits }: PlacedSignal): boolean {
  return bits.length % 8 === 0 && new Set(bits.map((bit) => bit >> 3)).size > bits.length / 8;
}

type Placed = { signal: TableSignal; place: BitPlace | string };

function toPlacedFrame(frame: TableFrame, lengthBytes: number, signals: readonly Placed[]): PlacedFrame {
  const { name, row, id, pgn, extended } = frame;
  return {
    name,
    row,
    ...(id !== undefined ? { id } : {}),
    ...(pgn !== undefined ? { pgn } : {}),
    extended: extended || pgn !== undefined,
    lengthBytes,
    signals: signals.map(({ signal, place }) => {
      const bits = typeof place === 'string' ? [] : bitsOf(place);
      const when = toWhenText(signal);
      return { name: signal.name, row: signal.row, bits, unit: signal.unit, ...(when === '' ? {} : { when }), conflict: false };
    }),
  };
}

function fdLengthFor(bytes: number): number {
  return [12, 16, 20, 24, 32, 48, 64].find((length) => length >= bytes) ?? bytes;
}

/** A place as device files count it; or what is wrong with it. */
function toBitPlace(signal: TableSignal, way: Counting, otherwise: 'little' | 'big'): BitPlace | string {
  const { place, name } = signal;
  const byteOrder = signal.byteOrder ?? otherwise;
  const told = place.bit ? placeByBits(signal, place.bit, way, byteOrder) : placeByBytes(signal, way, byteOrder);
  if (typeof told === 'string') return told;
  const { startBit, bitLength } = told;
  if (!Number.isInteger(bitLength) || bitLength < 1 || bitLength > 64)
    return `'${name}' would have ${bitLength} bits; 1 to 64 are possible`;
  return startBit < 0 ? `'${name}' would lie before the frame's first bit` : told;
}

function placeByBytes({ place, bitLength, name }: TableSignal, { countFrom }: Counting, byteOrder: 'little' | 'big'): BitPlace | string {
  const first = (place.byte?.first ?? 0) - countFrom;
  const last = place.byte?.last === undefined ? undefined : place.byte.last - countFrom;
  const length = bitLength ?? (last === undefined ? 8 : (last - first + 1) * 8);
  if (last !== undefined && length > (last - first + 1) * 8) return `'${name}' has ${length} bits and only ${last - first + 1} bytes`;
  const startBit = byteOrder === 'little' ? first * 8 : bigStart(first, Math.ceil(length / 8), length);
  return { startBit, bitLength: length, byteOrder };
}

/** A big-endian number that leaves bits of its bytes free ends with its last byte. */
function bigStart(firstByte: number, bytes: number, bitLength: number): number {
  const left = firstByte * 8 + bytes * 8 - bitLength;
  return leftPosition(left);
}

function placeByBits(
  signal: TableSignal,
  bit: NonNullable<TablePlace['bit']>,
  way: Counting,
  byteOrder: 'little' | 'big',
): BitPlace | string {
  const { countFrom, bitNumbering } = way;
  const inByte = signal.place.byte;
  const base = inByte ? (inByte.first - countFrom) * 8 : 0;
  const [low, high] = [bit.first - countFrom, (bit.last ?? bit.first) - countFrom];
  if (inByte && (low < 0 || high > 7))
    return `'${signal.name}' is in bit ${high > 7 ? (bit.last ?? bit.first) : bit.first} of its byte, and a byte has 8`;
  if (bit.ends && byteOrder === 'big' && bitNumbering !== 'msb0' && (base + low) >> 3 !== (base + high) >> 3) {
    const length = leftPosition(base + high) - leftPosition(base + low) + 1;
    return length < 1
      ? `'${signal.name}' has its ends the wrong way round for big-endian order`
      : { startBit: base + low, bitLength: length, byteOrder };
  }
  const bitLength = bit.last === undefined ? (signal.bitLength ?? 1) : high - low + 1;
  const from = base + low;
  if (bit.last !== undefined) return placeOfSpan(from, base + high, bitNumbering, byteOrder, signal.name);
  // In one byte the byte order says nothing: the number is that of the lowest bit, or with msb0 of the highest.
  const withinByte = inByte !== undefined && low + bitLength <= 8;
  if (bitNumbering === 'msb0') {
    const start = leftPosition(from);
    return { startBit: withinByte && byteOrder === 'little' ? start - bitLength + 1 : start, bitLength, byteOrder };
  }
  if (byteOrder === 'little') return { startBit: from, bitLength, byteOrder };
  if (withinByte) return { startBit: from + bitLength - 1, bitLength, byteOrder };
  return { startBit: bitNumbering === 'lsb0' ? from : startOfLowest(from, bitLength), bitLength, byteOrder };
}

/** Start of a big-endian signal whose least significant bit is `lowest`. */
function startOfLowest(lowest: number, bitLength: number): number {
  const left = leftPosition(lowest) - (bitLength - 1);
  return left < 0 ? -1 : leftPosition(left);
}

/** From one bit to another: inside one byte, or a run of them in the order of counting. */
function placeOfSpan(from: number, to: number, numbering: BitNumbering, byteOrder: 'little' | 'big', name: string): BitPlace | string {
  const bitLength = to - from + 1;
  const wholeBytes = from % 8 === 0 && bitLength % 8 === 0;
  if (wholeBytes) return { startBit: byteOrder === 'little' ? from : from + 7, bitLength, byteOrder };
  if (from >> 3 === to >> 3) {
    const [low, high] = numbering === 'msb0' ? [leftPosition(to), leftPosition(from)] : [from, to];
    return { startBit: byteOrder === 'little' ? low : high, bitLength, byteOrder };
  }
  if (numbering === 'msb0') {
    if (byteOrder === 'big') return { startBit: leftPosition(from), bitLength, byteOrder };
  } else if (byteOrder === 'little') return { startBit: from, bitLength, byteOrder };
  return `'${name}' takes bits ${from} to ${to}, which are no run of bits in ${byteOrder}-endian order counted ${numbering}`;
}

/** Writes the device file, and knows which line came from which row. */
class DeviceWriter {
  private readonly lines: string[];
  private readonly rowOfLine = new Map<number, number>();
  private readonly device: string;

  constructor({ device, title }: TableOptions) {
    this.device = device;
    this.lines = ['# yaml-language-server: $schema=../device.schema.json', `device: ${toFlowText(device)}`];
    if (title) this.lines.push(`title: ${toFlowText(title)}`);
    this.lines.push('frames:');
  }

  get text(): string {
    return `${this.lines.join('\n')}\n`;
  }

  writeFrame(frame: TableFrame, lengthBytes: number, signals: readonly Placed[]): void {
    const add = (line: string) => this.add(line, frame.row);
    add(`  - name: ${frame.name}`);
    if (frame.pgn !== undefined) add(`    pgn: ${frame.pgn}`);
    else add(`    id: 0x${(frame.id ?? 0).toString(16).toUpperCase().padStart(3, '0')}`);
    if (frame.extended) add('    extended: true');
    if (frame.sourceAddress !== undefined) add(`    source_address: ${frame.sourceAddress}`);
    add(`    length: ${lengthBytes}`);
    if (frame.periodMs !== undefined) add(`    period: ${Number(frame.periodMs.toPrecision(6))} ms`);
    const placed = signals.filter((one): one is { signal: TableSignal; place: BitPlace } => typeof one.place !== 'string');
    add(placed.length === 0 ? '    signals: []' : '    signals:');
    for (const { signal, place } of placed) this.add(`      - ${toSignalText(signal, place)}`, signal.row);
  }

  private add(line: string, row: number): void {
    this.rowOfLine.set(this.lines.push(line), row);
  }

  /** What `validate` would say of the file, by row. */
  check(): { errors: RowNote[]; warnings: RowNote[] } {
    if (this.rowOfLine.size === 0)
      return { errors: [{ say: 'no row of the table names a signal', fix: 'Look at its headings.' }], warnings: [] };
    const { problems } = parseVehicle([
      { path: 'vehicle.yaml', text: `vehicle: table\nbuses:\n  bus: { bit_rate: 1 Mbit/s, devices: [${this.device}] }\n` },
      { path: 'devices/table.yaml', text: this.text },
    ]);
    const own = problems.filter(({ file }) => file === 'devices/table.yaml');
    const of = (severity: Problem['severity']) =>
      own.filter((problem) => problem.severity === severity).map((problem) => this.toNote(problem));
    return { errors: of('error'), warnings: of('warning') };
  }

  private toNote({ line, say, fix }: Problem): RowNote {
    const row = this.rowOfLine.get(line);
    const inRows = (text: string) =>
      text.replace(/\b(in )?line (\d+)/g, (whole, within = '', other) => {
        const named = this.rowOfLine.get(Number(other));
        return named === undefined ? whole : `${within}row ${named}`;
      });
    return { ...(row === undefined ? {} : { row }), say: inRows(say), fix: inRows(fix) };
  }
}

function toSignalText(signal: TableSignal, place: BitPlace): string {
  const { name, sign, factor, offset, unit, reference, min, max, states, fault, notAvailable, comment } = signal;
  const parts = [`name: ${name}`, ...toPlaceParts(place)];
  if (place.byteOrder === 'big') parts.push('byte_order: big');
  if (sign !== 'unsigned') parts.push(`sign: ${sign}`);
  if (factor !== 1) parts.push(`factor: ${factor}`);
  if (offset !== 0) parts.push(`offset: ${offset}`);
  if (unit !== '') parts.push(`unit: ${unit === '%' ? '"%"' : toFlowText(unit)}`);
  if (reference !== undefined) parts.push(`reference: ${reference}`);
  if (min !== undefined) parts.push(`min: ${min}`);
  if (max !== undefined) parts.push(`max: ${max}`);
  if (fault !== undefined) parts.push(`fault: ${fault}`);
  if (notAvailable !== undefined) parts.push(`not_available: ${notAvailable}`);
  const when = toWhenText(signal);
  if (when !== '') parts.push(`when: { ${when} }`);
  if (states) parts.push(`states: { ${states.map(([raw, label]) => `${raw}: ${toFlowText(label)}`).join(', ')} }`);
  return `{ ${parts.join(', ')} }${comment === '' ? '' : ` # ${comment}`}`;
}

/** `page: 0, sub: [1, 2]`; '' for a signal that is always present. */
function toWhenText({ when = [] }: TableSignal): string {
  return when.map(({ signal, values }) => `${signal}: ${values}`).join(', ');
}

function toPlaceParts({ startBit, bitLength, byteOrder }: BitPlace): string[] {
  const first = startBit >> 3;
  const bytes = bitLength / 8;
  const whole = bitLength % 8 === 0 && startBit % 8 === (byteOrder === 'little' ? 0 : 7);
  if (!whole) return [`start_bit: ${startBit}`, `bit_length: ${bitLength}`];
  return [bytes === 1 ? `bytes: ${first}` : `bytes: ${first}..${first + bytes - 1}`];
}
