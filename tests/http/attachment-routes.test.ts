// Photos and logs over HTTP: bounded, judged by what is in them, and given back as they were.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { App, AppParts } from '../../server/http/app.ts';
import { buildApp } from '../../server/http/app.ts';
import { attachmentBytesMax } from '../../server/limits.ts';
import { Attachments } from '../../server/recording/attachments.ts';

const data = mkdtempSync(join(tmpdir(), 'evenburn-attachment-routes-'));
const headers = { host: 'localhost:8414', 'content-type': 'application/octet-stream' };
let app: App;

beforeAll(async () => {
  app = await buildApp({ station: {} as AppParts['station'], version: '0', attachments: new Attachments(data) });
});
afterAll(async () => {
  await app.close();
  rmSync(data, { recursive: true, force: true });
});

const jpeg = Buffer.concat([Buffer.from([0xff, 0xd8, 0xff, 0xe0]), Buffer.alloc(200_000, 7)]);

describe('/api/attachments', () => {
  it('keeps a photo that is larger than other requests may be, and gives it back', async () => {
    const kept = await app.inject({ method: 'POST', url: '/api/attachments', headers, payload: jpeg });
    expect(kept.statusCode).toBe(200);
    const { name } = kept.json() as { name: string };
    const back = await app.inject({ url: `/api/attachments/${name}`, headers: { host: headers.host } });
    expect(back.headers['content-type']).toBe('image/jpeg');
    expect(back.headers['x-content-type-options']).toBe('nosniff');
    expect(Buffer.compare(back.rawPayload, jpeg)).toBe(0);
  });

  it.each([
    ['nothing', Buffer.alloc(0), 415],
    ['a program', Buffer.from([0x7f, 0x45, 0x4c, 0x46, 0]), 415],
    ['more than the bound', Buffer.alloc(attachmentBytesMax + 1, 65), 413],
  ])('refuses %s', async (_, payload, status) => {
    expect((await app.inject({ method: 'POST', url: '/api/attachments', headers, payload })).statusCode).toBe(status);
  });

  it('takes nothing from another origin, and has nothing by another name', async () => {
    const foreign = { ...headers, origin: 'https://example.invalid' };
    expect((await app.inject({ method: 'POST', url: '/api/attachments', headers: foreign, payload: jpeg })).statusCode).toBe(403);
    const odd = await app.inject({ url: '/api/attachments/..%2Fcatalogue.sqlite', headers: { host: headers.host } });
    expect([404, 400]).toContain(odd.statusCode);
  });
});
