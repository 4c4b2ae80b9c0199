// Reads CSV with one frame a row; which column holds what is told by the header, or by the user.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { EvenburnError } from '../errors.ts';
import type { Intake } from './intake.ts';
import type { FrameParser } from './recorded-file.ts';
import { isFdLength } from './text-line.ts';

/** What a column can hold; docs/recorded-files.md says what each may look like. */
export const csvFields = [
  'time',
  'time_ms',
  'time_us',
  'time_ns',
  'interface',
  'id',
  'id_decimal',
  'extended',
  'remote',
  'error',
  'fd',
  'length',
  'data',
] as const;
export type CsvField = (typeof csvFields)[number];
/** Field → the column's header in the file. Fields left out keep their own name. */
export type CsvColumns = Partial<Record<CsvField, string>>;

/** One of each group is needed. */
const neededFields: readonly (readonly CsvField[])[] = [['time', 'time_ms', 'time_us', 'time_ns'], ['id', 'id_decimal'], ['data']];
/** Microseconds of the last digit before the point, as a power of ten. */
const timeExponents = { time: 6, time_ms: 3, time_us: 0, time_ns: -3 } as const;
const headerCellsMin = 3;
const headerCellsMax = 200;
const newline = 0x0a;
const separators = [',', ';', '\t'];
const standardIdMax = 0x7ff;
const extendedIdMax = 0x1fffffff;

/** True when the first line is a header that names time, id and data. `columns` as in the options of `openRecordedFile`. */
export function looksLikeCsv(bytes: Buffer, columns: CsvColumns = {}): boolean {
  return findHeader(firstLine(bytes), columns) !== undefined;
}

/**
 * Reads `time=Time (s),id=ID` as columns; a header with a comma stands in double quotes. USAGE_WRONG when a field is unknown.
 * Worked: `id=CAN ID,data=Payload` → { id: 'CAN ID', data: 'Payload' }.
 */
export function parseCsvColumns(text: string): CsvColumns {
  const columns: CsvColumns = {};
  for (const part of splitRow(text, ',')) {
    const [field, ...header] = part.split('=');
    const known = csvFields.find((name) => name === field?.trim());
    if (!known || header.length === 0) {
      throw new EvenburnError('USAGE_WRONG', { what: `'${part}' is not FIELD=HEADER with a field of ${csvFields.join(', ')}` });
    }
    columns[known] = header.join('=').trim();
  }
  return columns;
}

const timeFields = ['time', 'time_ms', 'time_us', 'time_ns'] as const;
const timeUnits = { time: 'seconds', time_ms: 'milliseconds', time_us: 'microseconds', time_ns: 'nanoseconds' } as const;

interface Header {
  separator: string;
  /** Field → index of its column. */
  at: Partial<Record<CsvField, number>>;
}

export class CsvParser implements FrameParser {
  readonly format = 'CSV';
  private readonly intake: Intake;
  private readonly columns: CsvColumns;
  private header: Header | undefined;
  private line = 0;
  private readonly data = new Uint8Array(64);

  constructor(intake: Intake, columns: CsvColumns = {}) {
    this.intake = intake;
    this.columns = columns;
  }

  take(bytes: Buffer, last: boolean, batch: FrameBatch): number {
    const end = last ? bytes.length : bytes.lastIndexOf(newline) + 1;
    for (let at = 0; at < end; ) {
      const found = bytes.indexOf(newline, at);
      const next = found < 0 ? end : found + 1;
      this.line++;
      this.takeLine(bytes.toString('utf8', at, found < 0 ? end : found).replace(/\r$/, ''), batch);
      at = next;
    }
    return end;
  }

  private takeLine(text: string, batch: FrameBatch): void {
    if (!this.header) {
      this.header = findHeader(text, this.columns);
      return;
    }
    if (text.trim() === '') return;
    const fault = this.takeRow(splitRow(text, this.header.separator), this.header, batch);
    if (fault !== '') this.intake.malformed('line', this.line, fault);
  }

  private takeRow(cells: string[], { at, separator }: Header, batch: FrameBatch): string {
    // A row that was cut off must not become a frame without data.
    if (cells.length <= (at.data as number)) return `the row ends before its data, after ${cells.length} cells`;
    const cell = (field: CsvField): string => (at[field] === undefined ? '' : (cells[at[field]] ?? '').trim());
    const timeField = at.time !== undefined ? 'time' : (timeFields.find((field) => at[field] !== undefined) ?? 'time');
    const time = parseTimeUs(cell(timeField), timeExponents[timeField], separator === ';' ? /[.,]/ : /\./);
    if (!time) return `'${cell(timeField)}' is not a time in ${timeUnits[timeField]}`;
    const hex = idAsHex(at.id === undefined ? undefined : cell('id'), cell('id_decimal'));
    if (!hex)
      return at.id === undefined ? `'${cell('id_decimal')}' is not an id in decimal` : `'${cell('id')}' is not an id in hexadecimal`;
    const flags = rowFlags(cell, hex);
    const id = Number.parseInt(hex, 16);
    if (id > ((flags & (frameFlag.extended | frameFlag.error)) !== 0 ? extendedIdMax : standardIdMax)) return `the id ${hex} is too great`;
    const length = this.takeData(cell('data'));
    if (length < 0) return `'${cell('data')}' is not data in hexadecimal`;
    const fault = this.lengthFault(length, flags, cell('length'));
    if (fault !== '') return fault;
    const name = Buffer.from(cell('interface'));
    const bus = this.intake.busOf(name, 0, name.length);
    if (time.rounded) this.intake.counts.roundedTimes++;
    const asked = (flags & frameFlag.remote) !== 0 ? Number(cell('length') || 0) : length;
    if (bus >= 0) batch.push(time.us, bus, id, flags, this.data, 0, asked);
    return '';
  }

  private takeData(text: string): number {
    const digits = text.replace(/^0x|[ .:_-]/gi, '');
    if (digits.length % 2 !== 0 || digits.length > 128 || !/^[0-9a-f]*$/i.test(digits)) return -1;
    for (let i = 0; i < digits.length; i += 2) this.data[i / 2] = Number.parseInt(digits.slice(i, i + 2), 16);
    return digits.length / 2;
  }

  private lengthFault(length: number, flags: number, said: string): string {
    const remote = (flags & frameFlag.remote) !== 0;
    if (said !== '' && !/^\d{1,2}$/.test(said)) return `'${said}' is not a length`;
    if (remote) return Number(said) > 8 ? 'a remote frame asks for at most 8 bytes' : '';
    if (said !== '' && Number(said) !== length) return `${said} bytes announced, ${length} found`;
    return ((flags & frameFlag.fd) !== 0 ? isFdLength(length) : length <= 8) ? '' : `a frame can't have ${length} bytes`;
  }
}

function rowFlags(cell: (field: CsvField) => string, hex: string): number {
  if (isTrue(cell('error'))) return frameFlag.error;
  const said = cell('extended');
  const extended = said === '' ? hex.length > 3 || Number.parseInt(hex, 16) > standardIdMax : isTrue(said);
  let flags = extended ? frameFlag.extended : 0;
  if (isTrue(cell('remote'))) flags |= frameFlag.remote;
  if (isTrue(cell('fd'))) flags |= frameFlag.fd;
  return flags;
}

function isTrue(text: string): boolean {
  return /^(1|true|yes|x)$/i.test(text);
}

/** The hexadecimal digits of an id; decimal ones are read where there is no hexadecimal column. */
function idAsHex(hex: string | undefined, decimal: string): string | undefined {
  if (hex !== undefined) return /^(?:0x)?([0-9a-f]{1,8})$/i.exec(hex)?.[1];
  return /^\d{1,9}$/.test(decimal) ? Number(decimal).toString(16) : undefined;
}

/**
 * A time as text to integer microseconds, exact however many digits stand before the point.
 *
 * @param exponent Power of ten of the microseconds in one unit: 6 for seconds, 3 for milliseconds.
 * @param decimalPoint What stands before the decimals: a comma too where semicolons part the cells, which is why they do.
 * Worked: '12.3456' with 3 is 12,345.6 µs, so 12,346 and rounded.
 */
function parseTimeUs(text: string, exponent: number, decimalPoint: RegExp): { us: number; rounded: boolean } | undefined {
  const [whole = '', decimals = '', ...more] = text.split(decimalPoint);
  if (!/^\d{1,19}$/.test(whole) || !/^\d*$/.test(decimals) || more.length > 0) return undefined;
  const point = whole.length + exponent;
  const digits = (whole + decimals).padEnd(point, '0');
  const before = point > 0 ? digits.slice(0, point) : '0';
  const beyond = point >= 0 ? digits.slice(point) : '0'.repeat(-point) + digits;
  const us = Number(before) + (/^[5-9]/.test(beyond) ? 1 : 0);
  return Number.isSafeInteger(us) ? { us, rounded: /[1-9]/.test(beyond) } : undefined;
}

function firstLine(bytes: Buffer): string {
  const end = bytes.indexOf(newline);
  return bytes.toString('utf8', 0, end < 0 ? bytes.length : end).replace(/\r$/, '');
}

/** Cells of the first line of a table; empty when that is none: binary, or too few cells by every separator. */
export function splitHeader(bytes: Buffer): string[] {
  const line = firstLine(bytes).replace(/^\uFEFF/, '');
  if (line.includes('\0') || line.startsWith('(')) return [];
  const cells = separators.map((separator) => splitRow(line, separator).map((cell) => cell.trim()));
  const most = cells.reduce((best, each) => (each.length > best.length ? each : best));
  return most.length >= headerCellsMin && most.length <= headerCellsMax ? most : [];
}

/** Which header sounds like which field; the first that does takes it. Names as people write them: 'Time (ms)', 'CAN ID', 'Payload'. */
const soundsLike: readonly [field: CsvField, pattern: RegExp][] = [
  ['time_ms', /^time.*\bms\b|millisec/i],
  ['time_us', /^time.*(\bus\b|µs)|microsec/i],
  ['time_ns', /^time.*\bns\b|nanosec/i],
  ['time', /^(time|seconds?\b|t$|abs.*time|timestamp)/i],
  ['id_decimal', /\bid\b.*dec/i],
  ['id', /\bid(entifier)?\b|^arbitration/i],
  ['data', /^(data|payload|bytes)\b/i],
  ['length', /^(dlc|len(gth)?)\b/i],
  ['interface', /^(interface|bus|channel|port)\b/i],
  ['extended', /^(ext(ended)?|ide)\b/i],
  ['remote', /^(remote|rtr)\b/i],
  ['error', /^err(or)?\b/i],
  ['fd', /^fd\b/i],
];

/** A guess of which column holds what; a person looks at it before it counts. */
export function guessCsvColumns(headers: readonly string[]): CsvColumns {
  const columns: CsvColumns = {};
  const taken = new Set<string>();
  for (const [field, pattern] of soundsLike) {
    if (field === 'time' && timeFields.some((other) => columns[other] !== undefined)) continue;
    if (field === 'id' && columns.id_decimal !== undefined) continue;
    const found = headers.find((header) => !taken.has(header) && pattern.test(header.replaceAll('_', ' ')));
    if (found === undefined) continue;
    columns[field] = found;
    taken.add(found);
  }
  return columns;
}

function findHeader(line: string, columns: CsvColumns): Header | undefined {
  const text = line.replace(/^\uFEFF/, '');
  for (const separator of separators) {
    const names = splitRow(text, separator).map((name) => name.trim().toLowerCase());
    const at: Header['at'] = {};
    for (const field of csvFields) {
      const index = names.indexOf((columns[field] ?? field).toLowerCase());
      if (index >= 0) at[field] = index;
    }
    if (neededFields.every((group) => group.some((field) => at[field] !== undefined))) return { separator, at };
  }
  return undefined;
}

/** Cells of a row; a cell in double quotes may hold separators, and a doubled quote is one. */
function splitRow(line: string, separator: string): string[] {
  if (!line.includes('"')) return line.split(separator);
  const cells: string[] = [];
  let cell = '';
  let quoted = false;
  for (let i = 0; i < line.length; i++) {
    const character = line[i] as string;
    if (character === '"' && quoted && line[i + 1] === '"') {
      cell += '"';
      i++;
    } else if (character === '"') quoted = !quoted;
    else if (character === separator && !quoted) {
      cells.push(cell);
      cell = '';
    } else cell += character;
  }
  cells.push(cell);
  return cells;
}
