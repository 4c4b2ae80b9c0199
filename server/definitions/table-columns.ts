// What the headings of a device manual's table mean: which column holds ids, positions, scaling and so on.
import { toByteRows } from './table-byte-columns.ts';
import { fieldOfHeading, type TableField } from './table-headings.ts';
import { plainLetters, type Separator, separators, splitTable, type TableRow } from './table-text.ts';

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
    for (const [i, heading] of rows.slice(0, headingRowsTried).entries()) {
      const sections = withSections(rows, i);
      const units = withUnits(sections.headings, sections.rows);
      const { headings, rows: below, named } = toByteRows(units.headings, units.rows);
      const { columns, unused } = findColumns(headings, { ...named, ...chosen });
      const known = Object.keys(columns).length;
      if (!isEnough(columns) || known <= Object.keys(best?.columns ?? {}).length) continue;
      best = {
        separator,
        headingRow: heading.row,
        headings,
        columns,
        unused,
        rows: below.filter(({ cells }) => !isSame(cells, heading.cells)),
      };
    }
  }
  return best;
}

/** A row of brackets alone under the headings belongs to them: `(hex)`, `[bit]`. */
function withUnits(headings: string[], rows: TableRow[]): { headings: string[]; rows: TableRow[] } {
  const cells = rows[0]?.cells ?? [];
  const isUnits = cells.some((cell) => cell !== '') && cells.every((cell) => /^([[(].*[\])])?$/.test(cell));
  if (!isUnits) return { headings, rows };
  return { headings: headings.map((heading, at) => `${heading} ${cells[at] ?? ''}`.trim()), rows: rows.slice(1) };
}

const sectionId = /(?:0x|\$)[0-9a-f]+|\b[0-9][0-9a-f]*h\b/i;
const sectionHeading = 'ID';

/**
 * Tables whose frames are sections: a line with the id above the headings, and one above each further block. The id becomes a column of
 * its own, where the headings have none.
 */
function withSections(rows: readonly TableRow[], at: number): { headings: string[]; rows: TableRow[] } {
  const heading = rows[at] as TableRow;
  const below = rows.slice(at + 1);
  const hasId = heading.cells.some((cell) => ['id', 'pgn'].includes(findField(cell)?.field ?? ''));
  const isSection = (row: TableRow | undefined) => {
    const filled = row?.cells.filter((cell) => cell !== '') ?? [];
    return filled.length === 1 && sectionId.test(filled[0] as string);
  };
  const first = rows[at - 1];
  if (hasId || !first || !isSection(first)) return { headings: heading.cells, rows: below };
  const width = heading.cells.length;
  const toId = ({ cells }: TableRow) => cells.find((cell) => cell !== '') ?? '';
  const pad = (cells: readonly string[], id: string) => [...Array.from({ length: width }, (_, i) => cells[i] ?? ''), id];
  return {
    headings: [...heading.cells, sectionHeading],
    rows: [
      { row: first.row, cells: pad([], toId(first)) },
      ...below
        .filter(({ cells }) => !isSame(cells, heading.cells))
        .map((row) => ({ row: row.row, cells: isSection(row) ? pad([], toId(row)) : pad(row.cells, '') })),
    ],
  };
}

/** Whether a row is the headings again, as at the top of a manual's next page. */
function isSame(cells: readonly string[], headings: readonly string[]): boolean {
  return headings.every((heading, at) => heading.toLowerCase() === (cells[at] ?? '').toLowerCase());
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
  settleHighestBit(columns);
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

/** `MSB` without a column for the other end is where a signal starts. */
function settleHighestBit(columns: ReadTable['columns']): void {
  const { last_bit } = columns;
  if (!last_bit || columns.bit || columns.byte || columns.bits) return;
  delete columns.last_bit;
  columns.bit = { ...last_bit, field: 'bit' };
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

/** Words that say nothing about what a column holds, or are a hint. */
const fillers = new Set(['can', 'hex', 'dec', 'decimal', 'hexadecimal', 'ms', 'hz', 's', 'the', 'raw', 'physical']);

function findField(heading: string): { field: TableField; hint: string } | undefined {
  const { words, hint } = parseHeading(heading);
  const hinted = hintedField(words, hint);
  const plain = words.filter((word) => !fillers.has(word)).join(' ');
  const field = hinted ?? fieldOfHeading.get(words.join(' ')) ?? fieldOfHeading.get(plain);
  return field && { field, hint };
}

const bitWord = /^(bits?|bitar|bity|bitow|bitach)$/;
const byteWord = /^(bytes?|octets?|bajty?|bajtow|bajtach)$/;
const joiners = new Set(['in', 'en', 'em', 'w', 'i']);

/** `Length (bits)`, `Offset [byte]`, `Size in bytes`: what is measured stands in the hint. */
function hintedField(words: string[], hint: string): TableField | undefined {
  const said = hint.split(/[^a-z]+/);
  const measure = said.some((word) => bitWord.test(word)) ? 'bit' : said.some((word) => byteWord.test(word)) ? 'byte' : undefined;
  if (measure === undefined) return undefined;
  const name = words.filter((word) => !joiners.has(word) && !bitWord.test(word) && !byteWord.test(word)).join(' ');
  const field = fieldOfHeading.get(name);
  if (field === 'length') return measure === 'bit' ? 'bit_length' : 'byte_length';
  return field === 'byte' || field === 'offset' || name === 'start' ? measure : undefined;
}

function parseHeading(heading: string): { words: string[]; hint: string } {
  const letters = plainLetters(heading);
  const inside = [...letters.matchAll(/[([{]([^)\]}]*)[)\]}]/g)].map((match) => match[1] as string);
  const plain = letters
    .replace(/[([{][^)\]}]*[)\]}]/g, ' ')
    .replace(/([a-z])([A-Z])/g, '$1 $2')
    .toLowerCase();
  const words = plain.split(/[^a-z0-9]+/).filter((word) => word !== '');
  return { words, hint: [...words, ...inside].join(' ').toLowerCase() };
}
