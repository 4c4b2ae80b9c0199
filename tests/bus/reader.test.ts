// The reader process as built, on a real pair of pseudo terminals: its death, its parent's death, and what it is told to write.
import { type ChildProcess, spawn } from 'node:child_process';
import { existsSync, mkdtempSync, rmSync } from 'node:fs';
import { type FileHandle, open } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
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
/** What the adapter was told, and what it answers. */
let told: string[];
let answers: (command: string) => string;
const polite = (command: string) => (command === 'V' ? 'V1013\r' : command === 'F' ? 'F00\r' : '\r');

beforeEach(async () => {
  if (obstacle) return;
  folder = mkdtempSync(join(tmpdir(), 'evenburn-pty-'));
  port = join(folder, 'port');
  const far = join(folder, 'adapter');
  pair = spawn(socat, [`pty,raw,echo=0,link=${port}`, `pty,raw,echo=0,link=${far}`], { stdio: 'ignore' });
  await eventually(() => expect(existsSync(port) && existsSync(far)).toBe(true));
  adapter = await open(far, 'r+');
  told = [];
  answers = polite;
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

/** The adapter at the far end, until the pair is closed. */
async function answer(): Promise<void> {
  const buffer = Buffer.alloc(64);
  for (;;) {
    const { bytesRead } = await adapter.read(buffer, 0, buffer.length, null).catch(() => ({ bytesRead: 0 }));
    if (bytesRead === 0) return;
    for (const command of buffer.subarray(0, bytesRead).toString('latin1').split('\r').slice(0, -1)) {
      told.push(command);
      await adapter.write(answers(command)).catch(() => {});
    }
  }
}

function started(target: { dataBitRate?: number } = {}) {
  const source = new ReaderSource(
    0,
    `serial:${port}`,
    { kind: 'serial', port, baud: 115_200, bitRate: 500_000, acknowledges: false, ...target },
    new SessionClock(),
  );
  sources.push(source);
  const seen = {
    source,
    ids: [] as number[],
    frames: [] as { flags: number; data: string }[],
    lost: 0,
    states: [] as { state: string; detail: string; atMs: number }[],
    status: {} as SourceStatus,
    watermarkUs: -1,
  };
  source.start({
    frames(batch, watermarkUs) {
      for (let i = 0; i < batch.count; i++) {
        seen.ids.push(batch.id[i] as number);
        seen.frames.push({ flags: batch.flags[i] as number, data: Buffer.from(batch.bytesOf(i)).toString('hex') });
      }
      seen.watermarkUs = watermarkUs;
    },
    state: (state, detail) => seen.states.push({ state, detail, atMs: performance.now() }),
    loss(_place, count) {
      seen.lost += count;
    },
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

  it('reads the FD frames of an adapter that answers to FD', async () => {
    const seen = started({ dataBitRate: 2_000_000 });
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    expect(told.slice(told.indexOf('S6'), told.indexOf('S6') + 4)).toEqual(['S6', 'Y2', 'Z1', 'L']);
    expect(seen.status.notes).toContainEqual(expect.stringContaining('takes 2 Mbit/s'));
    // 12 bytes (code 9) without a bit rate switch, 64 (code F) with one and 29 bits, and a stamp behind.
    const [twelve, sixtyFour] = ['0102030405060708090A0B0C', 'A5'.repeat(64)];
    await adapter.write(`d1239${twelve}0010\rB18FEF100F${sixtyFour}0011\rt1231FF0012\r`);
    await eventually(() => expect(seen.ids).toEqual([0x123, 0x18fef100, 0x123]));
    expect(seen.frames).toEqual([
      { flags: frameFlag.fd, data: twelve.toLowerCase() },
      { flags: frameFlag.fd | frameFlag.bitRateSwitch | frameFlag.extended, data: sixtyFour.toLowerCase() },
      { flags: 0, data: 'ff' },
    ]);
    expect(seen.lost).toBe(0);
  });

  it('listens to the classic frames of an adapter that refuses FD, and says what does not come', async () => {
    answers = (command) => (command === 'Y2' ? '\x07' : polite(command));
    const seen = started({ dataBitRate: 2_000_000 });
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    expect(seen.status.notes).toContainEqual(expect.stringMatching(/refuses 2 Mbit\/s.*FD frames do not come through it/));
    await adapter.write('t1231FF0012\r');
    await eventually(() => expect(seen.ids).toEqual([0x123]));
    expect(told).not.toContain('O');
  });

  it('does not tell an adapter on a classic bus anything of FD', async () => {
    const seen = started();
    await eventually(() => expect(seen.states.at(-1)?.state).toBe('up'));
    expect(told.filter((command) => command.startsWith('Y'))).toEqual([]);
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
