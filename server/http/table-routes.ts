// Tables of device manuals from a page: pasted text in, the layout with its conflicts and the device file out. Nothing is written.
import { type TableRequest, type TableView, tableRequest, tableView } from '../contract/table-import.ts';
import { type TableField, tableFields } from '../definitions/table-columns.ts';
import { importTable, type TableOptions } from '../definitions/table-import.ts';
import { EvenburnError } from '../errors.ts';
import type { App } from './app.ts';

export function addTableRoutes(app: App): void {
  app.post(
    '/api/tables',
    {
      schema: {
        summary: "A manual's table laid out, with conflicts by row and the device file",
        body: tableRequest,
        response: { 200: tableView },
      },
    },
    async (request) => toView(request.body),
  );
}

/** @throws EvenburnError TABLE_UNREADABLE, REQUEST_WRONG */
function toView({ text, device, title, columns, ...ways }: TableRequest): TableView {
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
  if (!table) throw new EvenburnError('TABLE_UNREADABLE', { path: 'the pasted text' });
  return { ...table, columns: table.columns as Record<string, string>, fields };
}
