// What the headings of a device manual's table mean: which column holds ids, positions, scaling and so on.
import { type Separator, separators, splitTable, type TableRow } from './table-text.ts';

/** What a column can hold, with the headings by which it is known; docs/table-import.md lists them (a test compares). */
export const tableFields = {
  id: ['id', 'can id', 'frame id', 'message id', 'msg id', 'identifier', 'arbitration id', 'cob id', 'address', 'header'],
  pgn: ['pgn', 'parameter group', 'parameter group number'],
  source_address: ['sa', 'source address', 'source'],
  frame: ['frame', 'message', 'frame name', 'message name', 'msg', 'msg name', 'packet', 'packet name'],
  name: [
    'name',
    'signal',
    'signal name',
    'channel',
    'channel name',
    'parameter',
    'parameter name',
    'variable',
    'label',
    'item',
    'measurement',
  ],
  byte: [
    'byte',
    'bytes',
    'byte position',
    'byte pos',
    'start byte',
    'first byte',
    'byte offset',
    'byte number',
    'byte no',
    'data byte',
    'data bytes',
    'position',
    'pos',
    'location',
    'start',
    'start position',
  ],
  last_byte: ['end byte', 'last byte', 'stop byte', 'to byte'],
  bit: ['bit', 'start bit', 'startbit', 'first bit', 'bit position', 'bit pos', 'bit offset', 'bit number', 'bit no', 'lsb'],
  last_bit: ['end bit', 'last bit', 'stop bit', 'to bit'],
  bits: ['bits'],
  bit_length: ['bit length', 'length in bits', 'number of bits', 'no of bits', 'bit count', 'bit size', 'bit width', 'width', 'num bits'],
  byte_length: ['byte length', 'length in bytes', 'number of bytes', 'no of bytes', 'byte count', 'byte size', 'num bytes'],
  length: ['length', 'size', 'len'],
  frame_length: ['dlc', 'frame length', 'data length', 'message length', 'data length code'],
  type: ['type', 'data type', 'datatype', 'format', 'value type', 'encoding'],
  byte_order: ['byte order', 'byteorder', 'endian', 'endianness', 'endianess'],
  sign: ['sign', 'signed', 'signedness'],
  factor: ['factor', 'scale', 'scaling', 'scale factor', 'multiplier', 'multiply', 'multiply by', 'resolution', 'gain', 'slope'],
  formula: ['formula', 'conversion', 'conversion formula', 'equation', 'calculation', 'transfer function'],
  divisor: ['divisor', 'divider', 'divide', 'divide by', 'div'],
  offset: ['offset', 'value offset', 'add', 'bias', 'intercept'],
  unit: ['unit', 'units', 'uom', 'engineering unit', 'engineering units'],
  min: ['min', 'minimum', 'min value', 'minimum value', 'lower limit'],
  max: ['max', 'maximum', 'max value', 'maximum value', 'upper limit'],
  range: ['range', 'value range', 'data range', 'operating range'],
  period: ['period', 'cycle time', 'cycle', 'interval', 'transmit interval', 'update interval', 'repetition'],
  rate: ['rate', 'frequency', 'transmit rate', 'update rate', 'broadcast rate'],
  extended: ['extended', 'ide', 'id type', '29 bit', 'id format', 'frame type'],
  states: ['states', 'values', 'enumeration', 'enum', 'value table'],
  fault: ['fault', 'error', 'error value', 'invalid', 'invalid value'],
  not_available: ['not available', 'n a', 'na'],
  spn: ['spn', 'suspect parameter number'],
  comment: ['comment', 'comments', 'note', 'notes', 'description', 'remark', 'remarks', 'meaning'],
} as const;

export type TableField = keyof typeof tableFields;

export interface Column {
  field: TableField;
  /** Index of its cell. */
  at: number;
  heading: string;
  /** What the heading says in brackets and beside its name: `hex`, `ms`, `bits`. */
  hint: string;
}

/** A table with its headings understood. */
export interface ReadTable {
  separator: Separator;
  /** Row of the headings. */
  headingRow: number;
  headings: string[];
  columns: Partial<Record<TableField, Column>>;
  /** Headings that mean nothing here. */
  unused: string[];
  rows: TableRow[];
}

const headingRowsTried = 25;

/**
 * Finds separator, headings and columns: those under which most headings are known.
 *
 * @param chosen Field → heading as it is written; goes before what is guessed, and `''` leaves a field out.
 * @returns undefined when no row names a signal and where it lies.
 */
export function readTable(text: string, chosen: Partial<Record<TableField, string>> = {}): ReadTable | undefined {
  let best: ReadTable | undefined;
  for (const separator of separators) {
    const rows = splitTable(text, separator);
    for (const [i, row] of rows.slice(0, headingRowsTried).entries()) {
      const { columns, unused } = findColumns(row.cells, chosen);
      const known = Object.keys(columns).length;
      if (!isEnough(columns) || known <= Object.keys(best?.columns ?? {}).length) continue;
      best = { separator, headingRow: row.row, headings: row.cells, columns, unused, rows: rows.slice(i + 1) };
    }
  }
  return best;
}

/**
 * The row that looks most like headings when none is understood: the first with the most cells. For a person who names the columns.
 * @returns undefined when no row has three cells.
 */
export function guessHeadings(text: string): { row: number; headings: string[] } | undefined {
  let best: { row: number; headings: string[] } | undefined;
  for (const separator of separators) {
    for (const { row, cells } of splitTable(text, separator).slice(0, headingRowsTried)) {
      const filled = cells.filter((cell) => cell !== '').length;
      if (filled >= 3 && filled > (best?.headings.filter((cell) => cell !== '').length ?? 0)) best = { row, headings: cells };
    }
  }
  return best;
}

/** A row of headings tells at least what, in which frame, and where. */
function isEnough(columns: ReadTable['columns']): boolean {
  const where = columns.byte ?? columns.bit ?? columns.bits;
  return (columns.id ?? columns.pgn) !== undefined && (columns.name ?? columns.comment) !== undefined && where !== undefined;
}

function findColumns(headings: string[], chosen: Partial<Record<TableField, string>>): Pick<ReadTable, 'columns' | 'unused'> {
  const columns: ReadTable['columns'] = {};
  const taken = new Set<number>();
  for (const [field, heading] of Object.entries(chosen) as [TableField, string][]) {
    const at = headings.findIndex((one) => one.toLowerCase() === heading.toLowerCase());
    if (heading === '' || at < 0) continue;
    columns[field] = { field, at, heading, hint: parseHeading(heading).hint };
    taken.add(at);
  }
  for (const [at, heading] of headings.entries()) {
    const found = taken.has(at) ? undefined : findField(heading);
    if (!found || columns[found.field] || chosen[found.field] === '') continue;
    columns[found.field] = { field: found.field, at, heading, hint: found.hint };
    taken.add(at);
  }
  settleOffset(columns);
  if (chosen.byte === undefined && chosen.byte_length === undefined) settleBytes(columns, headings, taken);
  const unused = headings.filter((heading, at) => heading !== '' && !taken.has(at));
  return { columns, unused };
}

/** `Offset` is that of the value, unless nothing else says where a signal lies. */
function settleOffset(columns: ReadTable['columns']): void {
  const { offset } = columns;
  if (!offset || columns.byte || columns.bit || columns.bits) return;
  delete columns.offset;
  columns.byte = { ...offset, field: 'byte' };
}

/** `Bytes` beside another heading for the first byte says how many there are. */
function settleBytes(columns: ReadTable['columns'], headings: readonly string[], taken: Set<number>): void {
  const bytesAt = headings.findIndex((heading) => parseHeading(heading).words.join(' ') === 'bytes');
  if (bytesAt < 0 || !columns.byte || columns.byte_length || columns.last_byte) return;
  if (columns.byte.at === bytesAt) {
    const first = headings.findIndex((heading, at) => !taken.has(at) && findField(heading)?.field === 'byte');
    if (first < 0) return;
    columns.byte = { field: 'byte', at: first, heading: headings[first] as string, hint: parseHeading(headings[first] as string).hint };
    taken.add(first);
  } else if (taken.has(bytesAt)) return;
  columns.byte_length = { field: 'byte_length', at: bytesAt, heading: headings[bytesAt] as string, hint: '' };
  taken.add(bytesAt);
}

const fieldOfHeading: ReadonlyMap<string, TableField> = new Map(
  (Object.entries(tableFields) as [TableField, readonly string[]][]).flatMap(([field, names]) =>
    names.map((name) => [name, field] as const),
  ),
);

/** Words that say nothing about what a column holds, or are a hint. */
const fillers = new Set(['can', 'hex', 'dec', 'decimal', 'hexadecimal', 'ms', 'hz', 's', 'the', 'raw', 'physical']);

function findField(heading: string): { field: TableField; hint: string } | undefined {
  const { words, hint } = parseHeading(heading);
  const hinted = hintedField(words, hint);
  const plain = words.filter((word) => !fillers.has(word)).join(' ');
  const field = hinted ?? fieldOfHeading.get(words.join(' ')) ?? fieldOfHeading.get(plain);
  return field && { field, hint };
}

/** `Length (bits)`, `Offset [byte]`, `Size in bytes`: what is measured stands in the hint. */
function hintedField(words: string[], hint: string): TableField | undefined {
  const name = words.filter((word) => !['in', 'bit', 'bits', 'byte', 'bytes'].includes(word)).join(' ');
  const measure = /\bbits?\b/.test(hint) ? 'bit' : /\bbytes?\b/.test(hint) ? 'byte' : undefined;
  if (measure === undefined) return undefined;
  if (['length', 'size', 'len'].includes(name)) return measure === 'bit' ? 'bit_length' : 'byte_length';
  if (['offset', 'position', 'pos', 'start', 'location'].includes(name)) return measure;
  return undefined;
}

function parseHeading(heading: string): { words: string[]; hint: string } {
  const inside = [...heading.matchAll(/[([{]([^)\]}]*)[)\]}]/g)].map((match) => match[1] as string);
  const plain = heading
    .replace(/[([{][^)\]}]*[)\]}]/g, ' ')
    .replace(/([a-z])([A-Z])/g, '$1 $2')
    .toLowerCase();
  const words = plain.split(/[^a-z0-9]+/).filter((word) => word !== '');
  return { words, hint: [...words, ...inside].join(' ').toLowerCase() };
}
