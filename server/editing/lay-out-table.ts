// A manual's table as a page asks for it: laid out with its conflicts, or its headings alone where they must be named by hand.
import type { HarnessTableRequest, HarnessTableView, TableRequest, TableView } from '../contract/table-import.ts';
import { type HarnessField, harnessFields, importHarnessTable } from '../definitions/harness-table.ts';
import { guessHeadings } from '../definitions/table-columns.ts';
import { type TableField, tableFields } from '../definitions/table-headings.ts';
import { importTable, type TableOptions } from '../definitions/table-import.ts';
import { EvenburnError } from '../errors.ts';

/** Pure. @throws EvenburnError TABLE_UNREADABLE when the text is no table at all, REQUEST_WRONG */
export function layOutTable({ text, device, title, columns, ...ways }: TableRequest): TableView {
  const fields = Object.keys(tableFields);
  const strange = Object.keys(columns ?? {}).find((field) => !fields.includes(field));
  if (strange !== undefined) throw new EvenburnError('REQUEST_WRONG', { what: `columns: no field '${strange}'` });
  const options: TableOptions = {
    device,
    ...(title ? { title } : {}),
    ...(columns ? { columns: columns as Partial<Record<TableField, string>> } : {}),
    ...(ways.idBase ? { idBase: ways.idBase } : {}),
    ...(ways.countFrom === undefined ? {} : { countFrom: ways.countFrom }),
    ...(ways.bitNumbering ? { bitNumbering: ways.bitNumbering } : {}),
    ...(ways.byteOrder ? { byteOrder: ways.byteOrder } : {}),
  };
  const table = importTable(text, options);
  return table ? { ...table, columns: table.columns as Record<string, string>, fields } : headingsAlone(text, options, fields);
}

/** Pure. @throws EvenburnError HARNESS_TABLE_UNREADABLE, REQUEST_WRONG */
export function layOutHarness({ text, name, columns = {} }: HarnessTableRequest): HarnessTableView {
  const fields = Object.keys(harnessFields);
  const strange = Object.keys(columns).find((field) => !fields.includes(field));
  if (strange !== undefined) throw new EvenburnError('REQUEST_WRONG', { what: `columns: no field '${strange}'` });
  const table = importHarnessTable(text, name, columns as Partial<Record<HarnessField, string>>);
  if (!table) throw new EvenburnError('HARNESS_TABLE_UNREADABLE', { path: 'the pasted text' });
  return { ...table, columns: table.columns as Record<string, string>, fields };
}

function headingsAlone(text: string, options: TableOptions, fields: string[]): TableView {
  const guessed = guessHeadings(text);
  if (!guessed) throw new EvenburnError('TABLE_UNREADABLE', { path: 'the pasted text' });
  const { row, headings } = guessed;
  const named = Object.entries(options.columns ?? {}).filter(([, heading]) => headings.includes(heading));
  const taken = new Set(named.map(([, heading]) => heading));
  return {
    headingRow: row,
    headings,
    columns: Object.fromEntries(named),
    unusedHeadings: headings.filter((heading) => heading !== '' && !taken.has(heading)),
    fields,
    idBase: options.idBase ?? 'dec',
    countFrom: options.countFrom ?? 0,
    bitNumbering: options.bitNumbering ?? 'lsb0',
    frames: [],
    conflicts: [
      {
        row,
        say: "these headings don't say which column holds a frame's id, a signal's name and where it lies",
        fix: 'Name the columns: id (or pgn), name, and byte, bit or bits.',
      },
    ],
    notes: [],
    text: '',
  };
}
