// Tables of device manuals from a page: pasted text in, the layout with its conflicts out; and saved as a device file of the vehicle.
import {
  deviceRequest,
  harnessTableRequest,
  harnessTableView,
  savedDefinition,
  tableRequest,
  tableView,
} from '../contract/table-import.ts';
import { tableBytesMax } from '../limits.ts';
import type { App, AppParts } from './app.ts';

/** Escapes and letters of two bytes may double what is sent. */
const bodyLimit = 2 * tableBytesMax + 64 * 1024;

export function addTableRoutes(app: App, { editor }: AppParts): void {
  if (!editor) return;
  app.post(
    '/api/tables',
    {
      bodyLimit,
      schema: {
        summary: "A manual's table laid out, with conflicts by row and the device file; nothing is written",
        body: tableRequest,
        response: { 200: tableView },
      },
    },
    ({ body }) => editor.layOutTable(body),
  );
  app.post(
    '/api/tables/harness',
    {
      bodyLimit,
      schema: {
        summary: 'A wiring table laid out as a harness file, with conflicts by row; nothing is written',
        body: harnessTableRequest,
        response: { 200: harnessTableView },
      },
    },
    ({ body }) => editor.layOutHarness(body),
  );
  app.post(
    '/api/devices',
    {
      bodyLimit,
      schema: {
        summary: 'The same table saved as a new device file of the vehicle',
        body: deviceRequest,
        response: { 200: savedDefinition },
      },
    },
    ({ body }) => editor.addDevice(body),
  );
}
