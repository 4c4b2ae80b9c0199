// The log book over HTTP: entries are numbered, dated and kept through kills; entries of another vehicle stay out.
import { appendFileSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, expect, it } from 'vitest';
import type { LogEntry } from '../../server/contract/log-book.ts';
import { type App, type AskedStation, buildApp } from '../../server/http/app.ts';
import { LogBook } from '../../server/recording/log-book.ts';

let data: string;
let app: App;
const open = (vehicle: string, session: number | null): Promise<App> => {
  const status = () => ({ recording: { session } });
  const station = { vehicle: { name: vehicle }, wallMs: () => 1_700_000_000_000, status } as unknown as AskedStation;
  return buildApp({ station, version: 'test', logBook: new LogBook(data) });
};
const ask = async <T>(payload?: object) => {
  const headers = { host: 'localhost:8414' };
  const answer = await app.inject({ method: payload ? 'POST' : 'GET', url: '/api/log-book', headers, ...(payload ? { payload } : {}) });
  return { status: answer.statusCode, body: answer.json() as T };
};

beforeEach(async () => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-log-book-'));
  app = await open('Garganey', 7);
});
afterEach(async () => {
  await app.close();
  rmSync(data, { recursive: true, force: true });
});

it('numbers entries in their order, also those that come at once, and names the session that is recorded', async () => {
  const written = await Promise.all(
    ['line fitted', 'plugs gapped', 'oil topped up'].map((note) => ask<LogEntry>({ kind: 'note', by: 'Ada', note })),
  );
  expect(written.map(({ body }) => [body.entry, body.note, body.session])).toEqual([
    [1, 'line fitted', 7],
    [2, 'plugs gapped', 7],
    [3, 'oil topped up', 7],
  ]);
  expect((await ask<LogEntry[]>()).body).toEqual(written.map(({ body }) => body));
  expect(written[0]?.body).toMatchObject({ kind: 'note', by: 'Ada', vehicle: 'Garganey', wallMs: 1_700_000_000_000 });
});

it('takes an entry for another session, as a change made before it', async () => {
  const { body } = await ask<LogEntry>({ kind: 'change', by: 'Ada', what: 'plan', from: 'as-built', to: 'crossed', session: 3 });
  expect(body).toMatchObject({ kind: 'change', what: 'plan', from: 'as-built', to: 'crossed', session: 3, note: '' });
});

it('refuses an entry without a name or with a kind nobody knows, and keeps nothing of it', async () => {
  expect((await ask({ kind: 'note', by: ' ', note: 'x' })).status).toBe(400);
  expect((await ask({ kind: 'dream', by: 'Ada' })).status).toBe(400);
  expect((await ask<LogEntry[]>()).body).toEqual([]);
});

it('goes on behind a line that was cut by a kill', async () => {
  await ask({ kind: 'note', by: 'Ada', note: 'before' });
  appendFileSync(join(data, 'log-book.jsonl'), '\n{"kind":"note","by":"A');
  await ask({ kind: 'note', by: 'Ada', note: 'after' });
  expect((await ask<LogEntry[]>()).body.map(({ entry, note }) => [entry, note])).toEqual([
    [1, 'before'],
    [2, 'after'],
  ]);
});

it('shows a vehicle its own entries only', async () => {
  await ask({ kind: 'note', by: 'Ada', note: 'ours' });
  await app.close();
  app = await open('Teal', null);
  expect((await ask<LogEntry[]>()).body).toEqual([]);
  expect((await ask<LogEntry>({ kind: 'note', by: 'Ben', note: 'theirs' })).body).toMatchObject({ entry: 2, session: null });
});
