// Import of files without a frame; import and decode stopped by Ctrl-C in the middle: the exit code, and nothing half done is left.
import { type ChildProcess, spawn, spawnSync } from 'node:child_process';
import { once } from 'node:events';
import { existsSync, mkdtempSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gzipSync } from 'node:zlib';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { until } from '../waiting.ts';

const root = join(import.meta.dirname, '..', '..');
const garganey = join(root, 'bus-definitions', 'garganey');
let folder: string;

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-import-'));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

/** Runs with a text log that comes in bit by bit and never ends. */
function start(...args: string[]): { child: ChildProcess; said: { out: string; err: string }; stopFeeding(): void } {
  const child = spawn(process.execPath, [join(root, 'server', 'start.mjs'), ...args], { stdio: ['pipe', 'pipe', 'pipe'] });
  const said = { out: '', err: '' };
  child.stdout?.on('data', (chunk) => {
    said.out += chunk;
  });
  child.stderr?.on('data', (chunk) => {
    said.err += chunk;
  });
  child.stdin?.on('error', () => undefined);
  let sent = 0;
  const timer = setInterval(() => {
    const lines = Array.from(
      { length: 2000 },
      () => `(${1_700_000_000 + Math.floor(sent / 1000)}.${String(sent++ % 1000).padStart(3, '0')}000) can0 512#6464`,
    );
    child.stdin?.write(`${lines.join('\n')}\n`);
  }, 5);
  return { child, said, stopFeeding: () => clearInterval(timer) };
}

describe('a recording without a frame', () => {
  it.each([
    ['an empty file', Buffer.alloc(0)],
    ['a packed empty file', gzipSync('')],
    ['a capture of no packet', Buffer.from('d4c3b2a1020004000000000000000000ffff0000e3000000', 'hex')],
  ])('%s makes no session and exits with 3', (_, bytes) => {
    const data = join(folder, 'none');
    const args = ['import', '-', '--vehicle', garganey, '--data', data];
    const { status, stdout, stderr } = spawnSync(process.execPath, [join(root, 'server', 'start.mjs'), ...args], {
      input: bytes,
      encoding: 'utf8',
    });
    expect([status, stdout]).toEqual([3, '']);
    expect(stderr).toContain('no frame in it');
    expect(readdirSync(join(data, 'sessions'))).toEqual([]);
  });
});

describe('Ctrl-C', () => {
  it('ends an import with 130, and leaves no session and no draft', async () => {
    const data = join(folder, 'data');
    const sessions = join(data, 'sessions');
    const { child, said, stopFeeding } = start('import', '-', '--vehicle', garganey, '--data', data);
    await until(() => existsSync(sessions) && readdirSync(sessions).some((name) => name.startsWith('.draft')), 'a draft');
    child.kill('SIGINT');
    const [code] = await once(child, 'close');
    stopFeeding();
    expect([code, said.out]).toEqual([130, '']);
    expect(said.err).toMatch(/stopped after \d+ frames; no session was made/);
    expect(readdirSync(sessions)).toEqual([]);
  });

  it('ends decode with 130, after whole lines', async () => {
    const { child, said, stopFeeding } = start('decode', '-', '--vehicle', garganey);
    await until(() => said.out.length > 10_000, 'samples');
    child.kill('SIGINT');
    const [code] = await once(child, 'close');
    stopFeeding();
    expect(code).toBe(130);
    for (const line of said.out.trim().split('\n')) expect(() => JSON.parse(line)).not.toThrow();
    expect(said.err).toMatch(/stopped after \d+ frames/);
  });
});

describe('a long import', () => {
  it('tells how far it is on standard error, with a rate', async () => {
    const { child, said, stopFeeding } = start('import', '-', '--vehicle', garganey, '--data', join(folder, 'long'));
    await until(() => /-: \d+ frames, \d+ frames\/s\n/.test(said.err), 'a rate');
    stopFeeding();
    child.stdin?.end();
    const [code] = await once(child, 'close');
    expect([code, said.out]).toEqual([0, '1\n']);
  });
});
