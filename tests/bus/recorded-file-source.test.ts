import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { RecordedFileSource } from '../../server/bus/recorded-file-source.ts';
import type { SourceStatus, Speed } from '../../server/bus/source.ts';
import { SessionClock } from '../../server/clock.ts';
import { EvenburnError } from '../../server/errors.ts';

let folder: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'evenburn-file-'));
});

afterEach(() => rmSync(folder, { recursive: true }));

const engine = { name: 'engine', index: 0, interface: 'can0' };
const hull = { name: 'hull', index: 1, interface: 'can1' };

interface Heard {
  frames: { timeUs: number; bus: number; id: number; atUs: number }[];
  promiseBroken: number;
  events: string[];
  status?: SourceStatus;
  error?: Error;
}

function fileOf(lines: string[]): string {
  const path = join(folder, 'some.log');
  writeFileSync(path, `${lines.join('\n')}\n`);
  return path;
}

const line = (seconds: string, name: string, id: string) => `(${seconds}) ${name} ${id}#00`;

async function heardOf(path: string, speed: Speed, buses = [engine], bus = 0, clock = new SessionClock()): Promise<Heard> {
  const source = new RecordedFileSource(bus, `file:${path}`, { path, speed, buses }, clock);
  const heard: Heard = { frames: [], promiseBroken: 0, events: [] };
  let promisedUs = -1;
  await new Promise<void>((resolve) => {
    source.start({
      frames(batch, watermarkUs) {
        for (let i = 0; i < batch.count; i++) {
          const timeUs = batch.timeUs[i] as number;
          if (timeUs <= promisedUs) heard.promiseBroken++;
          heard.frames.push({ timeUs, bus: batch.bus[i] as number, id: batch.id[i] as number, atUs: clock.nowUs() });
        }
        if (watermarkUs < promisedUs) heard.promiseBroken++;
        promisedUs = watermarkUs;
      },
      state: (state) => heard.events.push(state),
      loss: () => heard.events.push('loss'),
      status: (status) => {
        heard.status = status;
      },
      end: () => resolve(void heard.events.push('end')),
      failed: (error) => {
        heard.error = error;
        resolve();
      },
    });
  });
  await source.stop();
  return heard;
}

describe('a recorded file as live input', () => {
  it("keeps the file's own spacing, from the start of the session", async () => {
    const path = fileOf([
      line('1700000000.000454', 'can0', '100'),
      line('1700000000.020454', 'can0', '101'),
      line('1700000000.020455', 'can0', '102'),
    ]);
    const { frames, events, promiseBroken } = await heardOf(path, 1);
    const first = frames[0]?.timeUs as number;
    expect(frames.map(({ timeUs }) => timeUs - first)).toEqual([0, 20_000, 20_001]);
    expect(first).toBeLessThan(60_000_000);
    expect([events, promiseBroken]).toEqual([['up', 'down', 'end'], 0]);
  });

  it('gives no frame before its time, which at four times the pace comes in a quarter of it', async () => {
    const path = fileOf([0, 100, 200, 300, 400].map((ms) => line(`1700000000.${String(ms).padStart(3, '0')}000`, 'can0', '100')));
    for (const speed of [1, 4]) {
      const clock = new SessionClock();
      const { frames } = await heardOf(path, speed, [engine], 0, clock);
      const firstUs = frames[0]?.timeUs as number;
      expect(frames.map(({ timeUs }) => timeUs - firstUs)).toEqual([0, 100_000, 200_000, 300_000, 400_000]);
      // Counted from the clock's beginning: a first frame that a busy machine hands over late makes the others no earlier.
      for (const { timeUs, atUs } of frames) expect(atUs).toBeGreaterThan((timeUs - firstUs) / speed - 1000);
    }
  });

  it('gives an hour at once when asked for as fast as possible', async () => {
    const path = fileOf(Array.from({ length: 10_000 }, (_, k) => line(`${1_700_000_000 + k}.000000`, 'can0', '100')));
    const { frames, promiseBroken } = await heardOf(path, 'max');
    expect([frames.length, promiseBroken]).toEqual([10_000, 0]);
    expect((frames.at(-1)?.timeUs as number) - (frames[0]?.timeUs as number)).toBe(9_999_000_000);
  });

  it('gives a bus its own frames of a file of several, on the time line of the whole file', async () => {
    const path = fileOf([line('5.000000', 'can0', '100'), line('5.010000', 'can1', '200'), line('5.020000', 'can0', '101')]);
    // A clock that stands still: both sources start at the same moment, however busy the machine is.
    const still = new SessionClock();
    const nowUs = still.nowUs();
    still.nowUs = () => nowUs;
    const [first, second] = await Promise.all([0, 1].map((bus) => heardOf(path, 'max', [engine, hull], bus, still)));
    expect(first?.frames.map(({ id }) => id)).toEqual([0x100, 0x101]);
    expect(second?.frames.map(({ id, bus }) => [id, bus])).toEqual([[0x200, 1]]);
    expect((second?.frames[0]?.timeUs as number) - (first?.frames[0]?.timeUs as number)).toBe(10_000);
  });

  it("keeps the file's order where times go back, and says how many frames were moved", async () => {
    const path = fileOf([
      line('5.000000', 'can0', '100'),
      line('5.020000', 'can0', '101'),
      line('5.010000', 'can0', '102'),
      line('5.030000', 'can0', '103'),
    ]);
    const { frames, status, promiseBroken } = await heardOf(path, 'max');
    expect(frames.map(({ id }) => id)).toEqual([0x100, 0x101, 0x102, 0x103]);
    expect(frames.map(({ timeUs }) => timeUs - (frames[0]?.timeUs as number))).toEqual([0, 20_000, 20_000, 30_000]);
    expect(promiseBroken).toBe(0);
    expect(status?.notes).toContainEqual(expect.stringContaining('1 frames are older'));
  });

  it('names the first part that is no frame', async () => {
    const path = fileOf([line('5.000000', 'can0', '100'), 'rubbish', line('5.001000', 'can0', '101')]);
    const { frames, status } = await heardOf(path, 'max');
    expect(frames).toHaveLength(2);
    expect(status?.notes).toContainEqual(expect.stringContaining('line 2'));
  });

  it('fails with its code when the file is no recording', async () => {
    const path = join(folder, 'picture.log');
    writeFileSync(path, Buffer.from([0x89, 0x50, 0x4e, 0x47, 0, 1, 2, 3, 4, 5, 6, 7]));
    const { error } = await heardOf(path, 1);
    expect(error).toBeInstanceOf(EvenburnError);
    expect((error as EvenburnError).exitCode).toBe(3);
  });

  it('stops in the middle of silence', async () => {
    const path = fileOf([line('5.000000', 'can0', '100'), line('9999.000000', 'can0', '101')]);
    const clock = new SessionClock();
    const source = new RecordedFileSource(0, `file:${path}`, { path, speed: 1, buses: [engine] }, clock);
    let watermarkUs = -1;
    let ended = false;
    const silence = new Promise<void>((resolve) => {
      source.start({
        frames: (_batch, mark) => {
          watermarkUs = mark;
          if (mark > 30_000) resolve();
        },
        state() {},
        loss() {},
        end: () => {
          ended = true;
        },
        failed: (error) => {
          throw error;
        },
      });
    });
    await silence;
    await source.stop();
    const stopped = watermarkUs;
    await new Promise((resolve) => setTimeout(resolve, 20));
    expect([watermarkUs, ended]).toEqual([stopped, false]);
  });
});
