// A manual's table over HTTP: laid out, its conflicts by row, and refused when it is none.
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, expect, it } from 'vitest';
import type { SavedDefinition, TableView } from '../../server/contract/table-import.ts';
import { VehicleEditor } from '../../server/editing/vehicle-editor.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import { tableBytesMax } from '../../server/limits.ts';

const dir = mkdtempSync(join(tmpdir(), 'evenburn-tables-'));
writeFileSync(join(dir, 'vehicle.yaml'), 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s }\n');
const editor = new VehicleEditor(dir);
let app: App;
beforeAll(async () => {
  app = await buildApp({ station: {}, version: 'test', editor } as never);
});
afterAll(async () => {
  await app.close();
  await editor.close();
  rmSync(dir, { recursive: true });
});

async function ask(
  payload: object,
  url = '/api/tables',
): Promise<{ status: number; body: TableView & SavedDefinition & { error?: string } }> {
  const answer = await app.inject({ method: 'POST', url, headers: { host: 'localhost:8414' }, payload });
  return { status: answer.statusCode, body: answer.json() };
}

it('a pasted table comes back laid out, bit by bit, with the device file', async () => {
  const { status, body } = await ask({ text: 'id\tname\tbytes\tunit\n0x100\tOil pressure\t2-3\tkPa\n', device: 'box', byteOrder: 'big' });
  expect(status).toBe(200);
  const [frame] = body.frames;
  expect(frame).toMatchObject({ id: 0x100, lengthBytes: 4 });
  expect(frame?.signals[0]).toMatchObject({ name: 'oil_pressure', row: 2, unit: 'kPa', conflict: false });
  expect([...(frame?.signals[0]?.bits ?? [])].sort((a, b) => a - b)).toEqual(Array.from({ length: 16 }, (_, i) => 16 + i));
  expect(body.text).toContain('device: box');
  expect(body.fields).toContain('byte_order');
});

it('conflicts come with their rows, and the layout all the same', async () => {
  const { body } = await ask({ text: 'id,name,bytes\n0x100,a,0-1\n0x100,b,1\n', device: 'box' });
  expect(body.conflicts.map(({ row }) => row)).toEqual([3]);
  expect(body.frames[0]?.signals.map(({ conflict }) => conflict)).toEqual([false, true]);
});

it('columns can be named by hand', async () => {
  const columns = { id: 'Kennung', name: 'Was', byte: 'Wo' };
  const { body } = await ask({ text: 'Kennung;Was;Wo\n0x300;Druck;0-1\n', device: 'box', columns });
  expect(body.columns).toEqual(columns);
});

it('headings that are not understood come back to be named by hand', async () => {
  const { status, body } = await ask({
    text: 'Notes of the maker\nKennung;Was;Wo\n0x300;Druck;0-1\n',
    device: 'box',
    columns: { name: 'Was' },
  });
  expect([status, body.headingRow, body.headings, body.columns]).toEqual([200, 2, ['Kennung', 'Was', 'Wo'], { name: 'Was' }]);
  expect(body.conflicts).toHaveLength(1);
  expect(body.frames).toEqual([]);
});

it('a cell that can’t be read is told with its row and column', async () => {
  const { body } = await ask({ text: 'CAN id,Name,Start byte,Scale\n0x100,a,0,ten\nxyz,b,1,1\n', device: 'box' });
  expect(body.conflicts.map(({ row, column }) => [row, column])).toEqual([
    [2, 'Scale'],
    [3, 'CAN id'],
  ]);
});

it('a table as long as a manual’s is taken, and saved once', async () => {
  const rows = Array.from(
    { length: 1400 },
    (_, i) => `0x${(0x100 + (i >> 2)).toString(16)},"Channel\t${i}",${(i & 3) * 2}-${(i & 3) * 2 + 1},big`,
  );
  const text = `id,name,bytes,byte order\n${rows.join('\n')}\n`;
  const { status, body } = await ask({ text, device: 'long', bus: 'main' }, '/api/devices');
  expect([status, body.path]).toEqual([200, 'devices/long.yaml']);
  expect(readFileSync(join(dir, 'devices/long.yaml'), 'utf8').match(/name: channel_/g)).toHaveLength(1400);
  expect(readFileSync(join(dir, 'vehicle.yaml'), 'utf8')).toContain('devices: [long]');
  const again = await ask({ text, device: 'long' }, '/api/devices');
  expect([again.status, again.body.error]).toEqual([409, 'DEVICE_EXISTS']);
});

it.each([
  ['no table', { text: 'hello', device: 'box' }, 422, 'TABLE_UNREADABLE'],
  ['a device name with spaces', { text: 'id,name,byte\n1,a,0\n', device: 'a box' }, 400, 'REQUEST_WRONG'],
  ['a strange field', { text: 'id,name,byte\n1,a,0\n', device: 'box', columns: { colour: 'red' } }, 400, 'REQUEST_WRONG'],
  ['too long a text', { text: 'x'.repeat(tableBytesMax + 1), device: 'box' }, 400, 'REQUEST_WRONG'],
])('%s is refused', async (_, payload, status, error) => {
  const answer = await ask(payload);
  expect([answer.status, answer.body.error]).toEqual([status, error]);
});
