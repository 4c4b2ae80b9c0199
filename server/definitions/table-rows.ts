// Rows of a device manual's table as frames and signals; places are kept as the table counts them.

import {
  type IdCell,
  isStatesPerBits,
  type Linear,
  parseBitSpan,
  parseByteOrder,
  parseBytePlace,
  parseExtended,
  parseId,
  parseLinear,
  parseNumber,
  parseRawCell,
  parseSign,
  parseSpan,
  parseStates,
  parseType,
  type TablePlace,
  toSnakeName,
} from './table-cells.ts';
import type { Column, ReadTable } from './table-columns.ts';
import { findSelector, parseCondition } from './table-conditions.ts';
import { joinHalves, parseHalf } from './table-halves.ts';
import type { TableField } from './table-headings.ts';
import type { TableRow } from './table-text.ts';
import { parseFactorAndOffset, parsePressure, parseScaled, parseUnit, toSignalUnit, unitBehind } from './table-units.ts';

/** Something about a row that a person must know. */
export interface RowNote {
  /** Undefined: of the whole table. */
  row?: number;
  /** Heading of the column, where one cell is to blame. */
  column?: string;
  say: string;
  fix?: string;
}

export interface TableSignal {
  row: number;
  name: string;
  place: TablePlace;
  bitLength?: number;
  byteOrder?: 'little' | 'big';
  sign: 'unsigned' | 'signed' | 'float';
  factor: number;
  offset: number;
  unit: string;
  /** Of a pressure, where its unit says it: `psig`. */
  reference?: 'gauge' | 'absolute';
  min?: number;
  max?: number;
  states?: [raw: string, name: string][];
  fault?: string;
  notAvailable?: string;
  comment: string;
  /** Of a multiplexed frame: it tells which of the others are present. */
  selects?: boolean;
  /** Present while these hold: signal of the frame → raw values as a definition file writes them; no signal: the frame's selector. */
  when?: { signal?: string; values: string }[];
  /** It is one byte of a number: which, and what the number is called. */
  half?: 'high' | 'low';
  wholeName?: string;
}

export interface TableFrame {
  row: number;
  name: string;
  id?: number;
  pgn?: number;
  sourceAddress?: number;
  extended: boolean;
  lengthBytes?: number;
  periodMs?: number;
  signals: TableSignal[];
}

export interface TableRows {
  frames: TableFrame[];
  /** Rows that can't be read: nothing is made of the table before they are mended. */
  conflicts: RowNote[];
  /** What was left out or taken for granted. */
  notes: RowNote[];
  idBase: 'hex' | 'dec';
}

/** @param idBase How ids without a prefix are written; found out by default. */
export function readRows(table: ReadTable, idBase?: 'hex' | 'dec'): TableRows {
  return new RowReader(table, idBase).read();
}

class RowReader {
  private readonly table: ReadTable;
  private readonly conflicts: RowNote[] = [];
  private readonly notes: RowNote[] = [];
  private readonly frames: TableFrame[] = [];
  private readonly idBase: 'hex' | 'dec';
  private frame: TableFrame | undefined;
  /** The frame at hand has an id that can't be read: told once, not of each of its signals. */
  private frameFaulty = false;
  private current: TableRow = { row: 0, cells: [] };

  constructor(table: ReadTable, idBase: 'hex' | 'dec' | undefined) {
    this.table = table;
    this.idBase = idBase ?? this.findIdBase();
  }

  read(): TableRows {
    for (const row of this.table.rows) {
      this.current = row;
      if (this.isRemark()) {
        this.note(`'${row.cells.find((cell) => cell !== '')}' is left out`);
        continue;
      }
      this.enterFrame();
      const name = toSnakeName(this.cell('name') || this.cell('comment'));
      const place = this.readPlace();
      if (place === undefined) this.withoutPlace(name);
      else if (place !== 'faulty') this.enterSignal(name, place);
    }
    for (const frame of this.frames) {
      this.joinBytes(frame);
      this.settleConditions(frame);
    }
    this.tellApart();
    const frames = this.frames.filter(({ signals }) => signals.length > 0);
    for (const empty of this.frames) {
      if (empty.signals.length === 0) this.notes.push({ row: empty.row, say: `frame '${empty.name}' has no signals and is left out` });
    }
    return { frames, conflicts: this.conflicts, notes: this.notes, idBase: this.idBase };
  }

  /** A footnote: one cell in the row, where an id would be, and none. */
  private isRemark(): boolean {
    const filled = this.current.cells.filter((cell) => cell !== '');
    const id = this.cell('id') || this.cell('pgn');
    return filled.length === 1 && filled[0] === id && !/\d/.test(id);
  }

  private joinBytes(frame: TableFrame): void {
    const joined: TableSignal[] = [];
    for (const signal of frame.signals) {
      const at = joined.findIndex((other) => joinHalves(other, signal) !== undefined);
      if (at < 0) {
        joined.push(signal);
        continue;
      }
      const other = joined[at] as TableSignal;
      const whole = joinHalves(other, signal) as TableSignal;
      joined[at] = whole;
      const rows = other.row === signal.row ? `'${other.name}' and '${signal.name}'` : `rows ${other.row} and ${signal.row}`;
      this.notes.push({ row: other.row, say: `${rows} are taken as the two bytes of '${whole.name}'` });
    }
    frame.signals = joined;
  }

  /** Names the signal that each condition is about. */
  private settleConditions(frame: TableFrame): void {
    const heading = this.column('when')?.heading ?? '';
    const selector = findSelector(frame.signals, heading);
    const open = frame.signals.filter(({ when }) => when?.some(({ signal }) => signal === undefined));
    if (selector === undefined && open[0])
      this.conflicts.push({
        row: open[0].row,
        column: heading,
        say: `nothing tells which signal of frame '${frame.name}' '${open[0].name}' depends on`,
        fix: `Write M in column '${heading}' in the row of the signal that selects, or name it: page = 0.`,
      });
    for (const signal of frame.signals) {
      if (!signal.when) continue;
      // A selector says its own value in no row but its own.
      const about = signal.when.map((one) => ({ ...one, signal: one.signal ?? selector }));
      const told = about.filter((one): one is { signal: string; values: string } => one.signal !== undefined && one.signal !== signal.name);
      signal.when = told;
    }
  }

  /** Manuals call an oil temperature and an oil pressure `Oil`, each under its own frame. */
  private tellApart(): void {
    const all = this.frames.flatMap((frame) => frame.signals.map((signal) => ({ frame, signal })));
    const taken = new Set<string>();
    for (const { frame, signal } of all) {
      const before = all.find((other) => other.signal.name === signal.name);
      const name = `${frame.name}_${signal.name}`;
      if (before && before.frame !== frame && taken.has(signal.name) && !all.some((other) => other.signal.name === name)) {
        this.notes.push({
          row: signal.row,
          say: `there is a '${signal.name}' in frame '${before.frame.name}' too: this one is called '${name}'`,
        });
        for (const other of frame.signals)
          for (const condition of other.when ?? []) if (condition.signal === signal.name) condition.signal = name;
        signal.name = name;
      }
      taken.add(signal.name);
    }
  }

  private column(field: TableField): Column | undefined {
    return this.table.columns[field];
  }

  private cell(field: TableField): string {
    const column = this.column(field);
    return (column && this.current.cells[column.at]) ?? '';
  }

  /** @param field Whose cell is to blame. */
  private conflict(say: string, fix: string, field?: TableField): void {
    this.conflicts.push({ ...this.here(field), say, fix });
  }

  private note(say: string, field?: TableField): void {
    this.notes.push({ ...this.here(field), say });
  }

  private here(field: TableField | undefined): Pick<RowNote, 'row' | 'column'> {
    const column = field && this.column(field);
    return { row: this.current.row, ...(column ? { column: column.heading } : {}) };
  }

  /** Hexadecimal where a heading or any cell without a prefix shows it. Digits alone could be either: the note says so. */
  private findIdBase(): 'hex' | 'dec' {
    const column = this.column('id');
    if (!column) return 'dec';
    if (/\bhex/.test(column.hint) || /\b0x/.test(column.hint)) return 'hex';
    if (/\bdec/.test(column.hint)) return 'dec';
    const plain = this.table.rows.map((row) => row.cells[column.at] ?? '').filter((cell) => /^[0-9a-f]+$/i.test(cell));
    if (plain.some((cell) => /[a-f]/i.test(cell))) return 'hex';
    const [example] = plain;
    const couldBeHex = plain.every((cell) => Number.parseInt(cell, 16) <= 0x7ff);
    if (example === undefined || !couldBeHex) return 'dec';
    const asHex = Number.parseInt(example, 16);
    this.notes.push({
      say: `ids like ${example} are taken to be decimal; were they hexadecimal, this one would be 0x${asHex.toString(16).toUpperCase()} (${asHex})`,
      fix: 'If they are hexadecimal, say so with --id-base hex.',
    });
    return 'dec';
  }

  /** A new frame where id or group differ from the row above; empty cells mean the same as above. */
  private enterFrame(): void {
    const [idCell, pgnCell, nameCell] = [this.cell('id'), this.cell('pgn'), this.cell('frame')];
    if (idCell === '' && pgnCell === '') {
      if (this.frame) this.completeFrame(this.frame);
      return;
    }
    const read = idCell === '' ? undefined : parseId(idCell, this.idBase);
    const pgn = pgnCell === '' ? undefined : this.parseGroup(pgnCell);
    if ((idCell !== '' && read === undefined && pgn === undefined) || (pgnCell !== '' && pgn === undefined)) {
      const [what, text, field] = pgnCell === '' ? (['id', idCell, 'id'] as const) : (['parameter group', pgnCell, 'pgn'] as const);
      this.conflict(`'${text}' is no ${what}`, 'Write it like 0x4C0 or 1216.', field);
      this.frame = undefined;
      this.frameFaulty = true;
      return;
    }
    this.frameFaulty = false;
    const sourceAddress = this.cell('source_address') === '' ? undefined : parseNumber(this.cell('source_address'));
    const same = this.frames.find(
      (one) =>
        one.pgn === pgn &&
        (pgn !== undefined ? one.sourceAddress === sourceAddress : one.id === read?.id && one.extended === this.extended(read)),
    );
    this.frame = same ?? this.newFrame(read, pgn, sourceAddress, nameCell || (read?.words ?? ''));
    this.completeFrame(this.frame);
  }

  private newFrame(read: IdCell | undefined, pgn: number | undefined, sourceAddress: number | undefined, name: string): TableFrame {
    const number = pgn ?? read?.id ?? 0;
    const frame: TableFrame = {
      row: this.current.row,
      name: toSnakeName(name, 'frame') || (pgn === undefined ? `frame_${number.toString(16)}` : `group_${number}`),
      ...(pgn === undefined ? { id: number } : { pgn }),
      ...(pgn !== undefined && sourceAddress !== undefined ? { sourceAddress } : {}),
      extended: pgn === undefined && read !== undefined && this.extended(read),
      signals: [],
    };
    for (let n = 2, first = frame.name; this.frames.some((one) => one.name === frame.name); n++) frame.name = `${first}_${n}`;
    this.frames.push(frame);
    return frame;
  }

  private extended(read: IdCell | undefined): boolean {
    return (read?.id ?? 0) > 0x7ff || read?.extended === true || parseExtended(this.cell('extended')) === true;
  }

  /** Length and period may stand in any row of the frame. */
  private completeFrame(frame: TableFrame): void {
    const length = this.frameLength();
    if (length !== undefined && frame.lengthBytes !== undefined && length !== frame.lengthBytes) {
      this.conflict(
        `frame '${frame.name}' has ${length} bytes here and ${frame.lengthBytes} before`,
        'Mend one of them.',
        this.lengthField(),
      );
    }
    if (length !== undefined) frame.lengthBytes ??= length;
    const periodMs = this.periodMs();
    if (periodMs !== undefined) frame.periodMs ??= periodMs;
  }

  private frameLength(): number | undefined {
    const cell = this.cell('frame_length') || (this.lengthIsOfFrame() ? this.cell('length') : '');
    return cell === '' ? undefined : parseNumber(cell);
  }

  private lengthField(): TableField {
    return this.column('frame_length') ? 'frame_length' : 'length';
  }

  /** `Length` without a word about what it counts is the frame's where the signals' sizes stand elsewhere. */
  private lengthIsOfFrame(): boolean {
    if (this.column('frame_length')) return false;
    if (this.column('bit_length') || this.column('byte_length') || this.column('last_byte') || this.column('last_bit')) return true;
    const type = this.column('type');
    return type !== undefined && this.table.rows.some((row) => parseType(row.cells[type.at] ?? '').bitLength !== undefined);
  }

  private periodMs(): number | undefined {
    for (const field of ['period', 'rate'] as const) {
      const column = this.column(field);
      const cell = this.cell(field);
      const value = parseNumber(cell);
      if (!column || value === undefined || value <= 0) continue;
      const unit =
        /(ms|msec|hz|s|sec)\b/i.exec(cell)?.[1] ?? /\b(ms|msec|hz|s|sec)\b/i.exec(column.hint)?.[1] ?? (field === 'rate' ? 'hz' : 'ms');
      if (/^hz$/i.test(unit)) return 1000 / value;
      return /^m/i.test(unit) ? value : value * 1000;
    }
    return undefined;
  }

  private parseGroup(cell: string): number | undefined {
    const column = this.column('pgn');
    const match = /^(0x|\$)?([0-9a-f]+)(h)?$/i.exec(cell.replace(/[\s_]/g, ''));
    if (!match) return undefined;
    const hex = match[1] !== undefined || match[3] !== undefined || /\bhex/.test(column?.hint ?? '') || /[a-f]/i.test(match[2] as string);
    const pgn = Number.parseInt(match[2] as string, hex ? 16 : 10);
    return pgn <= 0x3ffff ? pgn : undefined;
  }

  /** Undefined: the row says nothing about a place. */
  private readPlace(): TablePlace | 'faulty' | undefined {
    const place: TablePlace = {};
    const [byteCell, bitCell] = [this.cell('byte'), this.cell('bit') || (this.bitsArePlaces() ? this.cell('bits') : '')];
    if (byteCell === '' && bitCell === '') return undefined;
    if (byteCell !== '') {
      const read = parseBytePlace(byteCell);
      if (!read) return this.faultyPlace(byteCell, 'byte');
      Object.assign(place, read);
      const last = parseNumber(this.cell('last_byte'));
      if (last !== undefined && place.byte) place.byte.last = last;
    }
    if (bitCell !== '') {
      const read = parseBitSpan(bitCell);
      if (!read) return this.faultyPlace(bitCell, this.column('bit') ? 'bit' : 'bits');
      place.bit = read;
      const last = parseNumber(this.cell('last_bit'));
      if (last !== undefined) place.bit = { first: Math.min(read.first, last), last: Math.max(read.first, last), ...this.bitEnds() };
      // Counted through the whole frame, though the byte stands beside it.
      if (place.byte && (place.bit.last ?? place.bit.first) > 8) delete place.byte;
    }
    return place;
  }

  /** Columns called MSB and LSB name a signal's ends, wherever its bytes lie. */
  private bitEnds(): { ends?: true } {
    return /\bmsb\b/.test(this.column('last_bit')?.hint ?? '') ? { ends: true } : {};
  }

  private faultyPlace(cell: string, field: TableField): 'faulty' {
    this.conflict(`'${cell}' is no place of a signal`, 'Write bytes like 2-3, and bits like 4 or 4-5.', field);
    return 'faulty';
  }

  /** `Bits` are places where no other column is, and numbers of bits beside one. */
  private bitsArePlaces(): boolean {
    const bits = this.column('bits');
    if (!bits || this.column('bit')) return false;
    if (!this.column('byte')) return true;
    return this.table.rows.some((row) => parseBitSpan(row.cells[bits.at] ?? '')?.last !== undefined);
  }

  private withoutPlace(name: string): void {
    const describesFrame = this.frame?.row === this.current.row || (this.cell('id') !== '' && this.frame);
    const empty = this.current.cells.filter((cell) => cell !== '').length <= 1;
    if (describesFrame || empty) return;
    if (name !== '')
      this.conflict(
        `where '${name}' lies is not said`,
        'Fill in its bytes or bits.',
        this.column('byte') ? 'byte' : this.column('bit') ? 'bit' : 'bits',
      );
  }

  private enterSignal(name: string, place: TablePlace): void {
    if (!this.frame) {
      if (!this.frameFaulty) this.conflict('no id stands here or above', 'Fill in the id of its frame.', this.column('id') ? 'id' : 'pgn');
      return;
    }
    if (/^(reserved|unused|spare|padding|n_?a|not_used)(_\d+)?$/.test(name)) {
      this.note(`'${name}' is left out`);
      return;
    }
    if (name === '') {
      this.conflict('the signal has no name', 'Fill it in.', 'name');
      return;
    }
    const half = parseHalf(this.cell('name') || this.cell('comment'));
    const unit = this.unit();
    const type = parseType(this.cell('type'));
    const sign = parseSign(this.cell('sign')) ?? type.sign ?? 'unsigned';
    const bitLength = this.bitLength(place) ?? type.bitLength;
    const byteOrder =
      parseByteOrder(this.cell('byte_order')) ?? type.byteOrder ?? parseByteOrder(/\(.*\)/.exec(this.cell('byte'))?.[0] ?? '');
    this.frame.signals.push({
      row: this.current.row,
      name,
      place,
      ...(bitLength !== undefined ? { bitLength } : {}),
      ...(byteOrder ? { byteOrder } : {}),
      sign,
      ...this.scaling(unit.unit),
      ...this.limits(),
      ...this.rawValues(),
      ...unit,
      ...this.condition(),
      ...(half ? { half: half.half, wholeName: toSnakeName(half.name) } : {}),
      comment: this.comment(),
    });
  }

  private bitLength(place: TablePlace): number | undefined {
    if (place.bit?.last !== undefined) return undefined;
    const bits = parseNumber(this.cell('bit_length'));
    if (bits !== undefined) return bits;
    if (this.column('bits') && !this.bitsArePlaces()) return parseNumber(this.cell('bits'));
    const bytes = parseNumber(this.cell('byte_length'));
    if (bytes !== undefined) return bytes * 8;
    const cell = this.lengthIsOfFrame() ? '' : this.cell('length');
    const length = parseNumber(cell);
    if (length === undefined) return undefined;
    if (/bit/i.test(cell)) return length;
    return /byte/i.test(cell) || this.lengthsAreBytes() ? length * 8 : length;
  }

  /** Lengths without a word are bytes where all are small and places are told in bytes. */
  private lengthsAreBytes(): boolean {
    const column = this.column('length');
    if (!column || !this.column('byte') || this.column('bit')) return false;
    return this.table.rows.every((row) => (parseNumber(row.cells[column.at] ?? '') ?? 0) <= 8);
  }

  private isEmpty(field: TableField): boolean {
    return /^[-–]?$/.test(this.cell(field));
  }

  private noNumber(field: TableField): void {
    this.conflict(`'${this.cell(field)}' is no number for '${this.column(field)?.heading}'`, 'Write a number like 0.1.', field);
  }

  /** By factor and offset; where the row has neither, by its formula. */
  private scaling(unit: string): Linear {
    const inOne = this.scalingInOneCell(unit);
    if (inOne) return inOne;
    const formula = this.cell('formula');
    const apart = ['factor', 'divisor', 'offset'].some((field) => this.cell(field as TableField) !== '');
    if (apart || this.isEmpty('formula')) return { factor: this.factor(unit), offset: this.inUnit('offset', unit) ?? 0 };
    const factor = parseNumber(formula);
    const line = parseLinear(formula) ?? (factor === undefined ? undefined : { factor, offset: 0 });
    if (!line)
      this.conflict(
        `'${formula}' is no straight line over the raw value`,
        'Write it like raw * 0.1 - 40, or leave the column out.',
        'formula',
      );
    return line ?? { factor: 1, offset: 0 };
  }

  /** A cell of factors that says the offset too, or is a formula, where no other cell says either. */
  private scalingInOneCell(unit: string): Linear | undefined {
    const cell = this.cell('factor');
    const alone = this.isEmpty('offset') && this.isEmpty('divisor') && !this.factorIsOfStates();
    if (!alone || cell === '') return undefined;
    const both = parseFactorAndOffset(cell);
    if (!both) return parseScaled(cell) ? undefined : parseLinear(cell);
    const [factor, offset] = [toSignalUnit(both.factor, unit, 'factor'), toSignalUnit(both.offset, unit, 'offset')];
    return factor === undefined || offset === undefined ? undefined : { factor, offset };
  }

  private factor(unit: string): number {
    const factor = this.factorIsOfStates() ? 1 : (this.inUnit('factor', unit) ?? 1);
    if (this.isEmpty('divisor')) return factor;
    const divisor = parseNumber(this.cell('divisor'));
    if (divisor === undefined) this.noNumber('divisor');
    else if (divisor === 0) this.conflict('a divisor of 0', 'Write another, 1 for none.', 'divisor');
    return divisor ? factor / divisor : factor;
  }

  /** A number in the signal's unit: a factor of 100 mV is 0.1 where the unit is V. */
  private inUnit(field: 'factor' | 'offset', unit: string): number | undefined {
    if (this.isEmpty(field)) return undefined;
    const read = parseScaled(this.cell(field));
    if (!read) {
      this.noNumber(field);
      return undefined;
    }
    const value = toSignalUnit(read, unit, field);
    if (value === undefined)
      this.conflict(`'${this.cell(field)}' is in ${read.unit}, and the signal in ${unit}`, 'Write both in one unit.', field);
    return value;
  }

  private condition(): Pick<TableSignal, 'selects' | 'when'> {
    const read = parseCondition(this.cell('when'));
    if (!read)
      this.conflict(
        `'${this.cell('when')}' doesn't say when a signal is present`,
        'Write m0, a raw value, or page = 0; M for the selector.',
        'when',
      );
    if (read?.kind === 'selector') return { selects: true };
    return read?.kind === 'when' ? { when: read.conditions } : {};
  }

  /** Where a column of factors says states instead. */
  private factorIsOfStates(): boolean {
    const cell = this.cell('factor');
    return isStatesPerBits(cell) || (cell.includes('=') && parseStates(cell) !== undefined);
  }

  private limits(): Pick<TableSignal, 'min' | 'max'> {
    const span = parseSpan(this.cell('range'));
    if (this.cell('range') !== '' && !span) this.note(`range '${this.cell('range')}' is not understood and left out`, 'range');
    const min = this.limit('min') ?? span?.low;
    const max = this.limit('max') ?? span?.high;
    return { ...(min !== undefined ? { min } : {}), ...(max !== undefined ? { max } : {}) };
  }

  private limit(field: 'min' | 'max'): number | undefined {
    const cell = this.cell(field);
    const value = parseNumber(cell);
    if (value === undefined && cell !== '' && !/^[-–]$/.test(cell)) this.note(`${field} '${cell}' is not understood and left out`, field);
    return value;
  }

  private rawValues(): Pick<TableSignal, 'states' | 'fault' | 'notAvailable'> {
    const states = parseStates(this.cell('states')) ?? (this.factorIsOfStates() ? parseStates(this.cell('factor')) : undefined);
    if (this.cell('states') !== '' && !states) this.note(`states '${this.cell('states')}' are not understood and left out`, 'states');
    const fault = this.rawValue('fault');
    const notAvailable = this.rawValue('not_available');
    return { ...(states ? { states } : {}), ...(fault ? { fault } : {}), ...(notAvailable ? { notAvailable } : {}) };
  }

  private rawValue(field: 'fault' | 'not_available'): string | undefined {
    const raw = parseRawCell(this.cell(field));
    if (!raw && this.cell(field) !== '') this.note(`'${this.cell(field)}' is no raw value and left out`, field);
    return raw;
  }

  /** By its column; without one by brackets behind the name, or by what stands behind the scaling. */
  private unit(): Pick<TableSignal, 'unit' | 'reference'> {
    const bracketed = /[([]([^)\]]+)[)\]]\s*$/.exec(this.column('unit') ? '' : this.cell('name'))?.[1] ?? '';
    const cell = this.cell('unit') || bracketed;
    const pressure = parsePressure(cell);
    if (pressure) return pressure;
    const unit = parseUnit(cell);
    if (unit === undefined && this.cell('unit') !== '')
      this.note(`unit '${cell}' is not known and left out (docs/units.md lists them)`, 'unit');
    return { unit: unit || (this.cell('unit') === '' ? this.unitOfScaling() : '') };
  }

  private unitOfScaling(): string {
    const of = (field: TableField) => parseScaled(this.cell(field))?.unit ?? '';
    const both = parseFactorAndOffset(this.cell('factor'));
    if (both) return both.factor.unit || both.offset.unit;
    return of('factor') || of('offset') || unitBehind(this.cell('formula'));
  }

  private comment(): string {
    const spn = this.cell('spn');
    const comment = this.column('name') ? this.cell('comment') : '';
    return [spn && `SPN ${spn}`, comment].filter((part) => part !== '').join(', ');
  }
}
