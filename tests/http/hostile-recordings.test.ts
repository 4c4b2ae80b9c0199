// Break-in by recording: files made to hurt a reader, sent as the Sessions page sends them to a server of its own; it must name each, and go on.
import { readFileSync } from 'node:fs';
import { constants, deflateSync, gzipSync } from 'node:zlib';
import Database from 'better-sqlite3';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { ErrorView } from '../../server/contract/error.ts';
import type { ImportJob } from '../../server/contract/recorded-import.ts';
import type { SessionsView } from '../../server/contract/sessions.ts';
import { Serving } from '../browser/serving.ts';

let serving: Serving;

beforeAll(async () => {
  serving = await Serving.start();
});
afterAll(async () => {
  await serving?.stop();
});

const headers = () => ({ origin: serving.url, 'content-type': 'application/octet-stream' });

async function jobs(): Promise<ImportJob[]> {
  const { jobs: all } = (await (await fetch(`${serving.url}/api/imports`)).json()) as { jobs: ImportJob[] };
  return all;
}

/** Sends a file and waits for the end of its import. */
async function send(name: string, body: Uint8Array): Promise<ImportJob> {
  const answer = await fetch(`${serving.url}/api/imports?name=${name}`, {
    method: 'POST',
    headers: headers(),
    body: new Blob([body as Uint8Array<ArrayBuffer>]),
  });
  expect(answer.status).toBe(200);
  const { job } = (await answer.json()) as ImportJob;
  const isOver = (one: ImportJob | undefined) => one !== undefined && !['waiting', 'running'].includes(one.state);
  await expect.poll(async () => isOver((await jobs()).find((one) => one.job === job)), { timeout: 60_000 }).toBe(true);
  return (await jobs()).find((one) => one.job === job) as ImportJob;
}

/** Resident memory of the server with its workers, MiB. */
function residentMib(): number {
  const status = readFileSync(`/proc/${serving.pid}/status`, 'latin1');
  return Number(/VmRSS:\s+(\d+) kB/.exec(status)?.[1]) / 1024;
}

/** A block of pcapng: type, length twice, body. */
function block(type: number, body: Uint8Array, length = body.length + 12): Buffer {
  const head = Buffer.alloc(8);
  head.writeUInt32LE(type, 0);
  head.writeUInt32LE(length >>> 0, 4);
  const tail = Buffer.alloc(4);
  tail.writeUInt32LE(length >>> 0, 0);
  return Buffer.concat([head, body, tail]);
}

/** Section header, and an interface of link type 227. */
const sectionBody = Buffer.from('4d3c2b1a01000000ffffffffffffffff', 'hex');
const beginning = Buffer.concat([block(0x0a0d0d0a, sectionBody), block(1, Buffer.from('e300000000000000', 'hex'))]);
const oneFrame = '(1700000000.000000) can0 512#6C9600E300000000\n';
const zeros = Buffer.alloc(300 * 1024 * 1024);
const noise = Uint8Array.from({ length: 200_000 }, (_, i) => (Math.imul(i + 1, 0x9e3779b1) >>> 13) & 255);

const files: [string, () => Uint8Array][] = [
  ['bomb.log.gz', () => gzipSync(zeros, { level: constants.Z_BEST_SPEED })],
  ['bomb-of-bombs.gz', () => gzipSync(gzipSync(zeros.subarray(0, 50_000_000)))],
  ['one-endless-line.log', () => Buffer.alloc(30_000_000, 'A')],
  ['endless-data.log', () => Buffer.from(`(1700000000.000000) can0 123#${'0'.repeat(5_000_000)}\n`)],
  ['length-of-4-gib.pcapng', () => Buffer.concat([beginning, block(6, Buffer.alloc(64), 0xfffffff0)])],
  ['length-of-0.pcapng', () => Buffer.concat([beginning, block(6, Buffer.alloc(64), 0)])],
  ['interface-that-is-none.pcapng', () => Buffer.concat([beginning, block(6, Buffer.from('ffffffff'.padEnd(104, '0'), 'hex'))])],
  ['cut.log.gz', () => gzipSync(oneFrame.repeat(5000)).subarray(0, 60)],
  ['noise.pcap', () => Buffer.concat([Buffer.from('d4c3b2a1020004000000000000000000ffffff7fe3000000', 'hex'), noise])],
  ['noise.gz', () => Buffer.concat([Buffer.from('1f8b0800', 'hex'), noise])],
  ['times-without-end.log', () => Buffer.from(`(99999999999999999999.000000) can0 512#00\n(-5.000000) can0 512#00\n(1e9) can0 512#00\n`)],
  ['a-database.evenburn', () => Buffer.concat([Buffer.from('SQLite format 3\0', 'latin1'), noise])],
  ['..%2F..%2Fescape.log', () => Buffer.from(oneFrame)],
];

/** A session as this program hands it over, with something done to it. */
async function spoiltSession(spoil: string): Promise<Uint8Array> {
  const { session } = await send('whole.log', Buffer.from(oneFrame.repeat(3)));
  const answer = await fetch(`${serving.url}/api/sessions/${session}/export?format=session`);
  const db = new Database(Buffer.from(await answer.arrayBuffer()));
  try {
    db.exec(spoil);
    return db.serialize();
  } finally {
    db.close();
  }
}

describe('a session that was handed over with tables of somebody else', () => {
  it.each([
    ['CREATE TRIGGER mine BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 1); END', 'it holds a trigger mine, which no session has'],
    [
      `ALTER TABLE alarm RENAME TO hidden;
       CREATE VIEW alarm AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT hidden.* FROM hidden, n`,
      'which no session has',
    ],
    ['CREATE TABLE more (bytes BLOB)', 'it holds a table more, which no session has'],
    ['DROP TABLE chunk', 'its table chunk is missing'],
    ['ALTER TABLE journal ADD COLUMN more CHECK (length(randomblob(1000000000)) > 0)', 'its table journal is not as this program makes it'],
  ])('%s: is refused and said why', async (spoil, why) => {
    const job = await send('spoilt.sqlite', await spoiltSession(spoil));
    expect(job.state).toBe('failed');
    expect(job.problem).toContain(why);
  });

  /** The text of a session's own facts, with something else in it. */
  const facts = (change: string) =>
    `UPDATE session SET value = ${change} WHERE name = 'facts'; DELETE FROM session WHERE name = 'facts_now'`;

  it.each([
    ['DELETE FROM definitions', 'the definitions that it began with are missing'],
    ['DELETE FROM reading', 'the reading that is shown is missing'],
    ['DELETE FROM slice', 'it says that it holds 3 frames, and holds 0'],
    ['UPDATE slice SET id = 7', 'part 0 of its frames is missing'],
    ['DELETE FROM channel', 'channels of reading 1 are missing'],
    ['DELETE FROM reading_slice', 'part 0 of reading 1 is missing'],
    ['DELETE FROM times', 'the times of part 0 of reading 1 are missing'],
    ['DELETE FROM chunk', 'the samples of part 0 of reading 1 are missing'],
    ['DELETE FROM session', 'it does not say what it holds'],
    [facts(`'{}'`), 'what it says of itself is not what it should be'],
    [facts(`'{"cut'`), 'JSON'],
    [facts(`json_set(value, '$.lastUs', 1e300)`), 'lastUs'],
    [facts(`json_set(value, '$.firstUs', json_extract(value, '$.lastUs') + 1)`), 'it ends before it begins'],
    [facts(`json_set(value, '$.state', 'odd')`), 'state'],
    [facts(`json_set(value, '$.events', 5)`), 'events'],
    [facts(`json_set(value, '$.remarks', json('[{}]'))`), 'remarks: 0'],
    [facts(`json_set(value, '$.startedWallMs', 1e30)`), 'startedWallMs'],
    [`INSERT OR REPLACE INTO session VALUES ('notes', '{"marks": [null]}')`, 'what was written of it'],
    [`INSERT OR REPLACE INTO session VALUES ('shown_reading', '99')`, 'the reading that is shown is missing'],
    [`UPDATE reading SET hash = 'x'`, 'the definitions of reading 1 are missing'],
    [`UPDATE reading SET state = '<b>'`, 'reading 1 is in no state that there is'],
    [`UPDATE channel SET about = '{'`, 'channel 0 of reading 1'],
    [`INSERT INTO alarm VALUES (1, 999, 5, '{"alarm": 5}')`, 'alarm event 999 of reading 1'],
    [`UPDATE slice SET inputs = 'text'`, 'inputs in its table slice'],
    ['UPDATE slice SET first_us = -9223372036854775807', 'first_us in its table slice'],
  ])('%s: a part that is missing, or is another thing, is refused and named', async (spoil, why) => {
    const job = await send('spoilt.sqlite', await spoiltSession(spoil));
    expect([job.state, job.problem]).toEqual(['failed', expect.stringContaining(why)]);
  });

  it('that say it is still being recorded is finished, and definitions that would fill the memory are refused when they are asked for', async () => {
    const open = await send('open.sqlite', await spoiltSession(facts(`json_set(value, '$.state', 'open')`)));
    expect(open.state).toBe('done');
    const { sessions } = (await (await fetch(`${serving.url}/api/sessions`)).json()) as SessionsView;
    expect(sessions.find(({ session }) => session === open.session)?.state).toBe('killed');
    const bomb = deflateSync(Buffer.alloc(400_000_000, '['), { level: constants.Z_BEST_SPEED });
    const bombed = await send('bomb.sqlite', await spoiltSession(`UPDATE definitions SET files = x'${bomb.toString('hex')}'`));
    expect(bombed.state).toBe('done');
    const asked = await fetch(`${serving.url}/api/sessions/${bombed.session}`);
    expect([asked.status, ((await asked.json()) as ErrorView).error]).toEqual([422, 'SESSION_DAMAGED']);
    // The list goes on without it.
    expect((await fetch(`${serving.url}/api/sessions`)).status).toBe(200);
  });

  it('is taken in as long as nothing is done to it', async () => {
    expect((await send('whole.sqlite', await spoiltSession('SELECT 1'))).state).toBe('done');
  });
});

describe('a hostile recording', () => {
  it.each(files)('%s is named or read for what it is, and the next one is imported all the same', async (name, make) => {
    const job = await send(name, make());
    // Either it holds frames that could be read, or it says in words why not.
    if (job.state === 'failed') expect(job.problem).toMatch(/\S+ \S+/);
    else expect(job.state).toBe('done');
    const after = await send('after.log', Buffer.from(oneFrame.repeat(3)));
    expect({ state: after.state, frames: after.frames }).toEqual({ state: 'done', frames: 3 });
  });

  it.skipIf(process.platform !== 'linux')('has not made the server grow (read from /proc, which only Linux has)', () => {
    const mib = residentMib();
    // The process that serves, not one that only started it.
    expect(mib).toBeGreaterThan(80);
    expect(mib).toBeLessThan(900);
  });
});
