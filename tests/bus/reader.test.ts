// The reader process as built, on a real pair of pseudo terminals: its death, its parent's death, and what it is told to write.
import { type ChildProcess, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { type FileHandle, open } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { ReaderSource } from '../../server/bus/reader.ts';
import type { SourceStatus } from '../../server/bus/source.ts';
import { SessionClock } from '../../server/clock.ts';
import { entryPath } from '../../server/entries.ts';
import { eventually } from '../waiting.ts';

const socat = '/usr/bin/socat';
const obstacle = existsSync(socat) ? '' : `: skipped, ${socat} is not installed`;

let folder: string;
let pair: ChildProcess;
let adapter: FileHandle;
let port: string;
const sources: ReaderSource[] = [];

beforeEach(async () => {
  if (obstacle) return;
  folder = mkdtempSync(join(tmpdir(), 'evenburn-pty-'));
  port = join(folder, 'port');
  const far = join(folder, 'adapter');
  pair = spawn(socat, [`pty,raw,echo=0,link=${port}`, `pty,raw,echo=0,link=${far}`], { stdio: 'ignore' });
  await eventually(() => expect(existsSync(port) && existsSync(far)).toBe(true));
  adapter = await open(far, 'r+');
  void answer();
});

afterEach(async () => {
  if (obstacle) return;
  await Promise.all(sources.splice(0).map((source) => source.stop()));
  const ended = new Promise((resolve) => pair.once('close', resolve));
  pair.kill();
  await ended;
  await adapter.close().catch(() => {});
  rmSync(folder, { recursive: true });
});

/** A polite adapter at the far end, until the pair is closed. */
async function answer(): Promise<void> {
  const buffer = Buffer.alloc(64);
  for (;;) {
    const { bytesRead } = await adapter.read(buffer, 0, buffer.length, null).catch(() => ({ bytesRead: 0 }));
    if (bytesRead === 0) return;
    for (const command of buffer.subarray(0, bytesRead).toString('latin1').split('\r').slice(0, -1)) {
      const reply = command === 'V' ? 'V1013\r' : command === 'F' ? 'F00\r' : '\r';
      await adapter.write(reply).catch(() => {});
    }
  }
}

function started() {
  const source = new ReaderSource(
    0,
    `serial:${port}`,
    { kind: 'serial', port, baud: 115_200, bitRate: 500_000, acknowledges: false },
    new SessionClock(),
  );
  sources.push(source);
  const seen = {
    source,
    ids: [] as number[],
    states: [] as { state: string; detail: string; atMs: number }[],
    status: {} as SourceStatus,
    watermarkUs: -1,
  };
  source.start({
    frames(batch, watermarkUs) {
      for (let i = 0; i < batch.count; i++) seen.ids.push(batch.id[i] as number);
      seen.watermarkUs = watermarkUs;
    },
    state: (state, detail) => seen.states.push({ state, detail, atMs: performance.now() }),
    loss() {},
    status: (status) => {
      seen.status = status;
    },
    end() {},
    failed(error) {
      throw error;
    },
  });
  return seen;
}

const isAlive = (id: number) => {
  try {
    process.kill(id, 0);
    return true;
  } catch {
    return false;
  }
};

describe.skipIf(obstacle !== '')(`a reader process on a serial line${obstacle}`, () => {
  it('hands over frames, and lets time pass in silence', async () => {
    const seen = started();
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    await adapter.write('t1232AABB\rT123456780\r');
    await eventually(() => expect(seen.ids).toEqual([0x123, 0x12345678]));
    const { watermarkUs } = seen;
    await eventually(() => expect(seen.watermarkUs).toBeGreaterThan(watermarkUs + 20_000));
    expect(seen.status).toMatchObject({ adapter: '1013', listenOnly: true, bitRate: 500_000 });
  });

  it('is started again after being killed, and frames come again', async () => {
    const seen = started();
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    const first = seen.source.readerId as number;
    process.kill(first, 'SIGKILL');
    await eventually(() => expect(seen.source.readerId ?? first).not.toBe(first), 5);
    await eventually(() => expect(seen.states.map(({ state }) => state)).toEqual(['up', 'down', 'up']));
    expect(seen.states[1]?.detail).toContain('SIGKILL');
    expect(seen.status.readerRestarts).toBe(1);
    await adapter.write('t1230\r');
    await eventually(() => expect(seen.ids).toEqual([0x123]));
  });

  it('is replaced when it hangs', async () => {
    const seen = started();
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    process.kill(seen.source.readerId as number, 'SIGSTOP');
    // A machine that is too busy may keep its successor from speaking, and that one is replaced too.
    await eventually(() => expect(seen.states.map(({ state }) => state).join(' ')).toMatch(/^up( down up)+$/));
  });

  it('leaves no process behind when it is stopped', async () => {
    const seen = started();
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    const id = seen.source.readerId as number;
    await seen.source.stop();
    expect(isAlive(id)).toBe(false);
  });

  it('ends when its parent is killed', async () => {
    const order = JSON.stringify({ kind: 'serial', port, baud: 115_200, bitRate: 500_000, acknowledges: false, sessionStartUs: 0 });
    const script = `const { spawn } = require('node:child_process');
      const child = spawn(process.execPath, [${JSON.stringify(entryPath('reader'))}, ${JSON.stringify(order)}], { stdio: ['pipe', 'ignore', 'ignore', 'pipe'] });
      child.stdio[3].once('data', () => console.log(child.pid)).resume();`;
    const parent = spawn(process.execPath, ['-e', script], { stdio: ['ignore', 'pipe', 'inherit'] });
    const id = await new Promise<number>((resolve) => parent.stdout?.once('data', (text) => resolve(Number(text))));
    expect(isAlive(id)).toBe(true);
    parent.kill('SIGKILL');
    await eventually(() => expect(isAlive(id)).toBe(false));
  });
});
