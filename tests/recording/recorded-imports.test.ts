// Recorded files from a page, through the routes and the built worker: bytes in, a session out; cancelled, broken off or bad ones leave nothing.
import { existsSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { PassThrough, Readable } from 'node:stream';
import { gzipSync } from 'node:zlib';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { SessionClock } from '../../server/clock.ts';
import type { ImportJob } from '../../server/contract/recorded-import.ts';
import { createFrameWriter } from '../../server/exchange/frame-writer.ts';
import { type App, buildApp } from '../../server/http/app.ts';
import { sessionNumbers, sessionPath } from '../../server/recording/data-folder.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { RecordedImports } from '../../server/recording/recorded-imports.ts';
import { SessionFile } from '../../server/recording/session-file.ts';
import { Station } from '../../server/station.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { eventually } from '../waiting.ts';
import { testVehicle } from './test-vehicle.ts';

const vehicle = testVehicle({ ids: 6 });
const startUs = 1_700_000_000_000_454;
const traceOf = (seconds: number) => canTrace({ seed: 5, seconds, ids: 8, startUs });
const textLog = (seconds: number) => createFrameWriter('log', vehicle.buses).frames(traceOf(seconds));
const json = { accept: 'application/json', host: 'localhost' };
const bytesType = { ...json, 'content-type': 'application/octet-stream' };

let data: string;
let imports: RecordedImports;
let app: App;
beforeEach(async () => {
  data = mkdtempSync(join(tmpdir(), 'evenburn-imports-'));
  imports = new RecordedImports(data, () => vehicle);
  const station = new Station({ vehicle, sources: [], session: new SessionClock() });
  app = await buildApp({ station, version: '0', imports });
});
afterEach(async () => {
  await imports.close();
  await app.close();
  rmSync(data, { recursive: true, force: true });
});

const send = (path: string, payload: Buffer) => app.inject({ method: 'POST', url: `/api/imports${path}`, headers: bytesType, payload });
const isOver = ({ state }: ImportJob) => state !== 'waiting' && state !== 'running';
const ended = async (): Promise<ImportJob[]> => {
  await eventually(() => expect(imports.list().every(isOver)).toBe(true));
  return imports.list();
};
/** Files that lie about: sent ones, and sessions that are not whole. */
const leftOver = () => [
  ...(existsSync(join(data, 'incoming')) ? readdirSync(join(data, 'incoming')) : []),
  ...(existsSync(join(data, 'sessions')) ? readdirSync(join(data, 'sessions')).filter((name) => !/^\d+\.sqlite$/.test(name)) : []),
];

describe('a recorded file from a page', () => {
  it.each([
    ['JSON', { 'content-type': 'application/json' }, '{"a":1}', 415],
    ['no JSON at all', { 'content-type': 'application/json' }, 'null', 415],
    ['a form', { 'content-type': 'text/plain' }, 'a=1', 415],
    ['nothing', {}, undefined, 400],
  ])('takes bytes of a file, not %s', async (_, type, payload, status) => {
    for (const path of ['', '/look']) {
      const url = `/api/imports${path}?name=x`;
      const headers = { host: bytesType.host, ...(type as Record<string, string>) };
      const answer = await app.inject({ method: 'POST', url, headers, ...(payload === undefined ? {} : { payload }) });
      expect([answer.statusCode, answer.json().error]).toEqual([status, 'REQUEST_WRONG']);
    }
  });

  it('becomes a session with every frame at its own time, and is not kept beside it', async () => {
    const answer = await send('?name=pull%203.log.gz', gzipSync(textLog(12)));
    expect([answer.statusCode, answer.json().state]).toEqual([200, expect.stringMatching(/waiting|running/)]);
    const [job] = await ended();
    const sent = traceOf(12);
    expect(job).toMatchObject({ state: 'done', share: 1, session: 1, frames: sent.count, remarks: [], problem: '', name: 'pull 3.log.gz' });
    const file = SessionFile.open(data, 1);
    const times: number[] = [];
    for (const input of file.record()) {
      if (input.kind === 'frames') for (let i = 0; i < input.batch.count; i++) times.push(input.batch.timeUs[i] as number);
    }
    expect([file.facts.origin, times]).toEqual(['pull 3.log.gz', [...sent.timeUs.subarray(0, sent.count)]]);
    file.close();
    expect(leftOver()).toEqual([]);
  });

  it('is a table whose columns the person named', async () => {
    const table = Buffer.from('Stamp [ms],Node,Bytes\n1000,100,AA\n1500.5,101,BB\nnoon,101,CC\n');
    const columns = encodeURIComponent('time_ms=Stamp [ms],id=Node,data=Bytes');
    const look = (await send('/look', table)).json();
    expect(look).toMatchObject({ format: 'CSV', frames: 0, headers: ['Stamp [ms]', 'Node', 'Bytes'], guess: { data: 'Bytes' } });
    expect(look.fields).toContain('time_us');
    expect((await send(`/look?columns=${columns}`, table)).json()).toMatchObject({ format: 'CSV', frames: 2, problem: '' });
    await send(`?name=table.csv&columns=${columns}`, table);
    const [job] = await ended();
    expect(job).toMatchObject({ state: 'done', frames: 2, remarks: [expect.stringMatching(/1 parts are no frame.*line 4: 'noon'/)] });
  });

  it('may be a session that somebody handed over', async () => {
    await send('?name=a.log', textLog(2));
    await ended();
    const { readFileSync } = await import('node:fs');
    const bytes = readFileSync(sessionPath(data, 1));
    expect((await send('/look', bytes.subarray(0, 500_000))).json()).toMatchObject({ format: 'session', problem: '' });
    await send('?name=session-1.sqlite', bytes);
    expect((await ended()).map(({ state, session }) => [state, session])).toEqual([
      ['done', 1],
      ['done', 2],
    ]);
    expect(readFileSync(sessionPath(data, 2)).equals(bytes)).toBe(true);
  });

  it('that is no recording fails with its own name, and the next one is imported', async () => {
    await send('?name=letter.txt', Buffer.from('a letter\nto a friend\n'));
    await send('?name=good.log', textLog(1));
    const [bad, good] = await ended();
    expect(bad).toMatchObject({ state: 'failed', session: null });
    expect(bad?.problem).toMatch(/^letter\.txt: not a recording/);
    expect(good).toMatchObject({ state: 'done', session: 1 });
    expect(leftOver()).toEqual([]);
  });

  it('is refused for a bus or a column that is not there', async () => {
    const noBus = await send('/look?bus=keel', textLog(1));
    expect([noBus.statusCode, noBus.json()]).toMatchObject([400, { error: 'USAGE_WRONG', message: expect.stringContaining('keel') }]);
    const noField = await send('/look?columns=colour%3Dred', Buffer.from('a,b,c\n'));
    expect(noField.json()).toMatchObject({ error: 'USAGE_WRONG', message: expect.stringContaining('colour=red') });
  });

  it('cancelled while it is read leaves nothing; cancelled while it waits is never read', async () => {
    // Long enough to be under way still when a busy machine has looked.
    const long = textLog(4000);
    await send('?name=long.log', long);
    await send('?name=waiting.log', textLog(1));
    await eventually(() => expect(imports.list()[0]?.frames).toBeGreaterThan(0), 5);
    const [running] = imports.list();
    expect(running).toMatchObject({ state: 'running' });
    expect(running?.share).toBeLessThan(1);
    for (const job of [1, 2])
      expect((await app.inject({ method: 'DELETE', url: `/api/imports/${job}`, headers: json })).statusCode).toBe(200);
    expect((await ended()).map(({ state, session }) => [state, session])).toEqual([
      ['cancelled', null],
      ['cancelled', null],
    ]);
    expect([sessionNumbers(data), leftOver()]).toEqual([[], []]);
    expect((await app.inject({ method: 'DELETE', url: '/api/imports/9', headers: json })).json()).toMatchObject({
      error: 'IMPORT_UNKNOWN',
    });
  });

  it('that breaks off on its way leaves nothing and is no import', async () => {
    const half = new PassThrough();
    const adding = imports.add(half, { name: 'half.log' });
    half.write(textLog(1));
    half.destroy();
    await expect(adding).rejects.toMatchObject({ code: 'IMPORT_BROKEN_OFF' });
    expect([imports.list(), leftOver()]).toEqual([[], []]);
  });

  it('has a bound that a look keeps too', async () => {
    function* endless() {
      for (;;) yield Buffer.alloc(256 * 1024);
    }
    await expect(imports.look(Readable.from(endless()), { name: 'endless' })).rejects.toMatchObject({
      code: 'IMPORT_TOO_LARGE',
      httpStatus: 413,
    });
    expect(leftOver()).toEqual([]);
  });

  it('that a server before had not finished is taken away', async () => {
    const { mkdirSync, writeFileSync } = await import('node:fs');
    mkdirSync(join(data, 'incoming'), { recursive: true });
    writeFileSync(join(data, 'incoming', 'old'), 'half a file');
    new RecordedImports(data, () => vehicle);
    expect(leftOver()).toEqual([]);
  });
});

describe('an import on a disk that runs short', () => {
  it('is given up while what is being recorded still has space, and leaves nothing; by default only a full disk ends it', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'evenburn-short-'));
    const source = () => ({
      frames: [canTrace({ seed: 3, seconds: 25, ids: 6, startUs: 1_700_000_000_000_000 })],
      origin: 'bomb.log.gz',
      remarks: () => [],
    });
    const vehicle = testVehicle({ ids: 6 });
    await expect(importFrames(folder, vehicle, { ...source(), freeBytesMin: Number.MAX_SAFE_INTEGER }, 0)).rejects.toMatchObject({
      code: 'DISK_FULL',
    });
    expect(sessionNumbers(folder)).toEqual([]);
    expect(readdirSync(folder, { recursive: true }).filter((name) => String(name).includes('sqlite'))).toEqual([]);
    expect(await importFrames(folder, vehicle, source(), 0)).toBe(1);
    rmSync(folder, { recursive: true });
  });
});
