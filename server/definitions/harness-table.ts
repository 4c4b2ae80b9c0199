// A wiring table, one wire a row, turned into the text of a harness file: connectors, circuits, fuses and wires. Pure.

import { type SpliceValue, toFlowText } from './splice.ts';
import { parseNumber } from './table-cells.ts';
import type { RowNote } from './table-rows.ts';
import { separators, splitTable, type TableRow } from './table-text.ts';

/** What a column can hold, with the headings by which it is known; docs/harness.md lists them (a test compares). */
export const harnessFields = {
  from: ['from', 'source', 'start', 'origin', 'from connector', 'connector 1', 'end 1', 'end a'],
  from_pin: ['from pin', 'source pin', 'start pin', 'pin 1', 'pin a'],
  to: ['to', 'destination', 'dest', 'target', 'end', 'to connector', 'connector 2', 'end 2', 'end b'],
  to_pin: ['to pin', 'destination pin', 'dest pin', 'target pin', 'end pin', 'pin 2', 'pin b'],
  circuit: ['circuit', 'signal', 'net', 'wire', 'wire name', 'wire no', 'wire number', 'name', 'circuit name', 'label'],
  function: ['function', 'description', 'purpose', 'comment', 'notes', 'note', 'remark', 'title'],
  gauge: ['gauge', 'awg', 'size', 'wire size', 'wire gauge', 'cross section', 'area', 'mm2'],
  length: ['length', 'len', 'wire length', 'cut length'],
  colour: ['colour', 'color', 'wire colour', 'wire color', 'col'],
  fuse: ['fuse', 'fuse name', 'protection'],
  fuse_rating: ['fuse rating', 'fuse size', 'rating'],
  load: ['load', 'current', 'amps', 'load current'],
  channel: ['channel', 'channel name'],
  alloy: ['alloy', 'thermocouple type', 'tc type'],
  polarity: ['polarity', 'leg', 'thermocouple leg'],
} as const;

export type HarnessField = keyof typeof harnessFields;

export interface HarnessTable {
  headingRow: number;
  headings: string[];
  /** Field → heading that it was read from. */
  columns: Partial<Record<HarnessField, string>>;
  unusedHeadings: string[];
  connectors: number;
  circuits: number;
  wires: number;
  /** What can't be right, by row; there is no harness while there is one. */
  conflicts: RowNote[];
  /** What was taken to mean something. */
  notes: RowNote[];
  /** The harness file; valid when there are no conflicts. */
  text: string;
}

interface Column {
  at: number;
  heading: string;
  /** Unit in brackets in the heading. */
  unit: string;
}

type Columns = Partial<Record<HarnessField, Column>>;

const headingRowsTried = 25;

/**
 * @param name What the harness is called.
 * @param chosen Field → heading as it is written; goes before what is guessed, and `''` leaves a field out.
 * @returns Undefined when no row of headings says from where to where.
 */
export function importHarnessTable(
  text: string,
  name: string,
  chosen: Partial<Record<HarnessField, string>> = {},
): HarnessTable | undefined {
  const table = readHeadings(text, chosen);
  if (!table) return undefined;
  const { headings, columns } = table;
  const reader = new WireReader(columns);
  for (const row of table.rows) reader.take(row);
  const used = new Set(Object.values(columns).map(({ at }) => at));
  return {
    headingRow: table.headingRow,
    headings,
    columns: Object.fromEntries(Object.entries(columns).map(([field, { heading }]) => [field, heading])),
    unusedHeadings: headings.filter((heading, at) => heading !== '' && !used.has(at)),
    connectors: reader.connectors.size,
    circuits: reader.circuits.size,
    wires: reader.wires.length,
    conflicts: reader.conflicts,
    notes: reader.notes,
    text: reader.toText(name),
  };
}

interface Headed {
  headingRow: number;
  headings: string[];
  columns: Columns;
  rows: TableRow[];
}

function readHeadings(text: string, chosen: Partial<Record<HarnessField, string>>): Headed | undefined {
  let best: Headed | undefined;
  for (const separator of separators) {
    const rows = splitTable(text, separator);
    for (const [i, { row, cells }] of rows.slice(0, headingRowsTried).entries()) {
      const columns = findColumns(cells, chosen);
      if (!columns.from || !columns.to || Object.keys(columns).length <= Object.keys(best?.columns ?? {}).length) continue;
      best = { headingRow: row, headings: cells, columns, rows: rows.slice(i + 1) };
    }
  }
  return best;
}

function findColumns(headings: readonly string[], chosen: Partial<Record<HarnessField, string>>): Columns {
  const columns: Columns = {};
  const taken = new Set<number>();
  for (const [field, names] of Object.entries(harnessFields) as [HarnessField, readonly string[]][]) {
    const wanted = chosen[field];
    const at =
      wanted === undefined
        ? headings.findIndex((heading, index) => !taken.has(index) && names.includes(toWords(heading)))
        : headings.findIndex((heading) => wanted !== '' && heading.toLowerCase() === wanted.toLowerCase());
    if (at < 0) continue;
    taken.add(at);
    const heading = headings[at] as string;
    columns[field] = { at, heading, unit: (/[([]([^)\]]*)[)\]]/.exec(heading)?.[1] ?? '').trim() };
  }
  return columns;
}

/** `From Pin (ECU)` → `from pin`. */
function toWords(heading: string): string {
  return heading
    .replace(/[([].*$/, '')
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, ' ')
    .trim();
}

interface ConnectorRow {
  title: string;
  pins: string[];
}

type Pairs = Record<string, string | number>;

/** Takes the rows and gathers what they name. */
class WireReader {
  readonly connectors = new Map<string, ConnectorRow>();
  readonly circuits = new Map<string, Pairs>();
  readonly fuses = new Map<string, string | undefined>();
  readonly wires: Pairs[] = [];
  readonly conflicts: RowNote[] = [];
  readonly notes: RowNote[] = [];
  private readonly columns: Columns;

  constructor(columns: Columns) {
    this.columns = columns;
  }

  take(row: TableRow): void {
    const cell = (field: HarnessField) => (this.columns[field] ? (row.cells[this.columns[field].at] ?? '').trim() : '');
    if (cell('from') === '' && cell('to') === '') return;
    const from = this.toEnd(row, 'from', cell('from'), cell('from_pin'));
    const to = this.toEnd(row, 'to', cell('to'), cell('to_pin'));
    if (from === undefined || to === undefined) return;
    const wire: Pairs = { from, to };
    const circuit = toLabel(cell('circuit'));
    if (circuit) {
      wire.circuit = circuit;
      this.takeCircuit(row, circuit, cell);
    }
    this.takeSizes(row, wire, cell);
    if (cell('colour')) wire.colour = cell('colour').toLowerCase();
    this.takeFuse(row, wire, cell('fuse'), cell('fuse_rating'));
    this.takeThermocouple(row, wire, cell('alloy'), cell('polarity'));
    this.wires.push(wire);
  }

  toText(name: string): string {
    const lines = [`harness: ${toFlowText(name)}`];
    const addMap = (key: string, entries: Iterable<readonly [string, Record<string, SpliceValue>]>) => {
      const rows = [...entries];
      if (rows.length > 0) lines.push('', `${key}:`, ...rows.map(([one, about]) => `  ${toFlowText(one)}: ${toFlowText(about)}`));
    };
    addMap(
      'connectors',
      [...this.connectors].map(([one, { title, pins }]) => [one, title === one ? { pins } : { title, pins }]),
    );
    addMap(
      'fuses',
      [...this.fuses].flatMap(([fuse, rating]) => (rating === undefined ? [] : [[fuse, { rating }] as const])),
    );
    addMap('circuits', this.circuits);
    if (this.wires.length > 0) lines.push('', 'wires:', ...this.wires.map((wire) => `  - ${toFlowText(wire)}`));
    return `${lines.join('\n')}\n`;
  }

  /** `ECU A` and `12`, or both in one cell: `ECU A-12`, `ecu.12`, `X1:3`. */
  private toEnd(row: TableRow, field: 'from' | 'to', connectorCell: string, pinCell: string): string | undefined {
    const split =
      pinCell === '' ? /^(.*?)\s*(?:[.:/]|\bpin\b|-(?=[^-]*$)|\s(?=[A-Za-z]?\d+$))\s*([A-Za-z0-9]+)$/i.exec(connectorCell) : null;
    const title = (split?.[1] ?? connectorCell).trim();
    const pin = (split?.[2] ?? pinCell).replace(/[^A-Za-z0-9]/g, '');
    const connector = toLabel(title);
    if (!connector || pin === '') {
      const column = this.columns[pinCell === '' ? field : (`${field}_pin` as const)]?.heading;
      const what = `'${[connectorCell, pinCell].join(' ').trim()}' names no connector and pin`;
      this.conflicts.push({
        row: row.row,
        ...(column ? { column } : {}),
        say: what,
        fix: 'Write connector.pin, or give the pin a column of its own.',
      });
      return undefined;
    }
    const known = this.connectors.get(connector) ?? { title, pins: [] };
    if (!known.pins.includes(pin)) known.pins.push(pin);
    this.connectors.set(connector, known);
    return `${connector}.${pin}`;
  }

  private takeCircuit(row: TableRow, circuit: string, cell: (field: HarnessField) => string): void {
    const about = this.circuits.get(circuit) ?? {};
    const put = (key: string, value: string) => {
      if (value === '') return;
      if (about[key] !== undefined && about[key] !== value && key !== 'title') {
        this.notes.push({ row: row.row, say: `${key} of ${circuit} is ${value} here and ${about[key]} before: the first is kept` });
      } else about[key] ??= value;
    };
    put('title', cell('function'));
    put('channel', cell('channel'));
    const load = this.quantity(row, 'load', cell('load'), ['A', 'mA'], 'A');
    if (load) put('load', load);
    this.circuits.set(circuit, about);
  }

  private takeSizes(row: TableRow, wire: Pairs, cell: (field: HarnessField) => string): void {
    const gauge = cell('gauge');
    if (gauge !== '') {
      const number = parseNumber(gauge.replace(/awg|mm2|mm²|ga?uge|#/gi, ' '));
      const said = `${gauge} ${this.columns.gauge?.unit ?? ''} ${this.columns.gauge?.heading ?? ''}`;
      const isArea =
        /mm2|mm²|sq/i.test(`${gauge} ${this.columns.gauge?.unit ?? ''}`) || (!/awg/i.test(said) && /mm2|mm²|area|cross/i.test(said));
      if (number === undefined) this.wrong(row, 'gauge', gauge, 'is no wire gauge', 'Write 20, 20 AWG or 0.5 mm2.');
      else if (isArea) wire.gauge = `${number} mm2`;
      else if (Number.isInteger(number) && number <= 40) wire.gauge = number;
      else this.wrong(row, 'gauge', gauge, 'is no AWG number', 'Write the unit of an area: 0.5 mm2.');
    }
    const length = this.quantity(row, 'length', cell('length'), ['mm', 'cm', 'm', 'in', 'ft'], undefined);
    if (length) wire.length = length;
  }

  private takeFuse(row: TableRow, wire: Pairs, fuse: string, ratingCell: string): void {
    if (fuse === '' || fuse === '-') return;
    const inName = /(\d+(?:\.\d+)?)\s*A\b/i.exec(fuse);
    const name = toLabel(fuse.replace(/[([]?\s*\d+(?:\.\d+)?\s*A\b\s*[)\]]?/i, '')) || `fuse-${inName?.[1]}A`;
    wire.fuse = name;
    const rating = this.quantity(row, 'fuse_rating', ratingCell === '' ? (inName?.[0] ?? '') : ratingCell, ['A'], 'A');
    if (rating === undefined && !this.fuses.has(name)) {
      this.notes.push({ row: row.row, say: `the rating of fuse ${name} is not said, so it is not listed under fuses:` });
    }
    this.fuses.set(name, this.fuses.get(name) ?? rating);
  }

  private takeThermocouple(row: TableRow, wire: Pairs, alloy: string, polarity: string): void {
    if (alloy !== '') wire.alloy = alloy;
    if (polarity === '') return;
    const leg = /^(\+|p|pos|positive|plus)$/i.test(polarity)
      ? 'positive'
      : /^(-|−|n|neg|negative|minus)$/i.test(polarity)
        ? 'negative'
        : undefined;
    if (leg) wire.polarity = leg;
    else this.wrong(row, 'polarity', polarity, 'is no leg of a thermocouple', 'Write positive or negative.');
  }

  /** A number with one of these units, in the cell or the heading; lengths come out in metres. */
  private quantity(row: TableRow, field: HarnessField, cell: string, units: string[], usual: string | undefined): string | undefined {
    if (cell === '') return undefined;
    const number = parseNumber(cell);
    const unitOf = (text: string) => units.find((unit) => new RegExp(`(^|[^A-Za-z])${unit}\\.?($|[^A-Za-z])`, 'i').test(text));
    const unit = unitOf(cell.replace(/^[-+\d.,\s]+/, ' ')) ?? unitOf(this.columns[field]?.unit ?? '') ?? usual;
    if (number === undefined || number < 0) {
      this.wrong(row, field, cell, 'is no number', `Write it like ${units.includes('m') ? '1.2 m' : '1.2 A'}.`);
      return undefined;
    }
    if (unit === undefined) {
      this.wrong(row, field, cell, 'has no unit', `Write the unit behind it or in the heading: ${units.join(', ')}.`);
      return undefined;
    }
    const inMetres: Record<string, number> = { mm: 0.001, cm: 0.01, m: 1, in: 0.0254, ft: 0.3048 };
    if (inMetres[unit] !== undefined) return `${Number((number * inMetres[unit]).toPrecision(6))} m`;
    return unit === 'mA' ? `${Number((number / 1000).toPrecision(6))} A` : `${number} A`;
  }

  private wrong(row: TableRow, field: HarnessField, cell: string, what: string, fix: string): void {
    const column = this.columns[field]?.heading;
    this.conflicts.push({ row: row.row, ...(column ? { column } : {}), say: `'${cell}' ${what}`, fix });
  }
}

/** A name that a harness file takes: letters, digits, `-` and `_`. */
function toLabel(text: string): string {
  return text
    .trim()
    .replace(/[^A-Za-z0-9_]+/g, '-')
    .replace(/^[-_]+|[-_]+$/g, '')
    .toLowerCase();
}
