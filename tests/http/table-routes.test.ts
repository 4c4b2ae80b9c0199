// A manual's table over HTTP: laid out, its conflicts by row, and refused when it is none.
import { afterAll, beforeAll, expect, it } from 'vitest';
import type { TableView } from '../../server/contract/table-import.ts';
import { type App, buildApp } from '../../server/http/app.ts';

let app: App;
beforeAll(async () => {
  app = await buildApp({ station: {}, version: 'test' } as never);
});
afterAll(() => app.close());

async function ask(payload: object): Promise<{ status: number; body: TableView & { error?: string } }> {
  const answer = await app.inject({ method: 'POST', url: '/api/tables', headers: { host: 'localhost:8414' }, payload });
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

it.each([
  ['no table', { text: 'hello', device: 'box' }, 422, 'TABLE_UNREADABLE'],
  ['a device name with spaces', { text: 'id,name,byte\n1,a,0\n', device: 'a box' }, 400, 'REQUEST_WRONG'],
  ['a strange field', { text: 'id,name,byte\n1,a,0\n', device: 'box', columns: { colour: 'red' } }, 400, 'REQUEST_WRONG'],
  ['too long a text', { text: 'x'.repeat(60_001), device: 'box' }, 400, 'REQUEST_WRONG'],
])('%s is refused', async (_, payload, status, error) => {
  const answer = await ask(payload);
  expect([answer.status, answer.body.error]).toEqual([status, error]);
});
