import { spawnSync } from 'node:child_process';
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { gunzipSync } from 'node:zlib';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { createFrameWriter } from '../../server/exchange/frame-writer.ts';
import { type Row, readContent, readFile, rowsOf, withFile } from './read-frames.ts';

const buses = [
  { name: 'engine', index: 0, interface: 'can0' },
  { name: 'hull', index: 1, interface: 'can1' },
];

/** True when the program answers; says so when it doesn't. */
function isThere(program: string, args: string[]): boolean {
  const there = spawnSync(program, args).status === 0;
  if (!there) console.warn(`skipped: ${program} ${args.join(' ')} does not run here`);
  return there;
}

function run(program: string, args: string[], input = ''): string {
  const { status, stdout, stderr } = spawnSync(program, args, { input, encoding: 'utf8', maxBuffer: 1 << 28 });
  if (status !== 0) throw new Error(`${program} ${args.join(' ')}: ${stderr}`);
  return stdout;
}

/** Classic, remote, extended, error and FD frames on two buses. */
function sample(): FrameBatch {
  const batch = new FrameBatch();
  const bytes = Uint8Array.from({ length: 64 }, (_, i) => i * 3 + 1);
  const startUs = 1_700_000_000_000_454;
  batch.push(startUs, 0, 0x512, 0, bytes, 0, 4);
  batch.push(startUs + 1, 1, 0x18fef100, 1, bytes, 0, 8);
  batch.push(startUs + 20_000, 0, 0x7ff, 0, bytes, 0, 0);
  batch.push(startUs + 20_001, 0, 0x123, 2, bytes, 0, 0);
  // python3-can knows an error frame by the class 'bus error' alone.
  batch.push(startUs + 1_000_000, 0, 0x84, 4, bytes, 0, 8);
  batch.push(startUs + 1_000_001, 1, 0x100, 8, bytes, 0, 64);
  batch.push(startUs + 1_000_002, 1, 0x1abcdef0, 8 | 1 | 16, bytes, 0, 12);
  return batch;
}

describe('the tools that come with SocketCAN', () => {
  it.skipIf(!isThere('sh', ['-c', 'command -v log2long']))('print our text log on screen as the frames that we read back', async () => {
    const printed = run('log2long', [], createFrameWriter('log', buses).frames(sample()).toString());
    expect(printed.trim().split('\n').length).toBe(sample().count);
    const { rows, counts } = await readContent(printed, { buses });
    // The screen form does not show an FD frame's two flags.
    expect(rows).toEqual(rowsOf(sample()).map((row) => ({ ...row, fd: row.fd.slice(0, 1) })));
    expect(counts.malformed).toBe(0);
  });
});

describe('tshark', () => {
  it.skipIf(!isThere('tshark', ['--version']))('reads our pcapng, and what it writes is read', async () => {
    const writer = createFrameWriter('pcapng', buses);
    await withFile(Buffer.concat([writer.begin(), writer.frames(sample())]), async (path) => {
      const fields = ['frame.time_epoch', 'frame.interface_name', 'can.id', 'can.flags.xtd', 'can.flags.rtr', 'can.flags.err', 'can.len'];
      const table = run('tshark', ['-r', path, '-T', 'fields', ...fields.flatMap((field) => ['-e', field])]);
      const lines = table
        .trim()
        .split('\n')
        .map((line) => line.split('\t'));
      const rows = rowsOf(sample());
      expect(lines.map(([time]) => time)).toEqual(
        rows.map(({ timeUs }) => `${Math.floor(timeUs / 1e6)}.${String(timeUs % 1e6).padStart(6, '0')}000`),
      );
      expect(lines.map(([, name]) => name)).toEqual(rows.map(({ bus }) => `can${bus}`));
      expect(lines.slice(0, 4).map(([, , id, extended, remote, error]) => [Number(id), extended, remote, error])).toEqual([
        [0x512, '0', '0', '0'],
        [0x18fef100, '1', '0', '0'],
        [0x7ff, '0', '0', '0'],
        [0x123, '0', '1', '0'],
      ]);
      expect(lines[4]?.[5]).toBe('1');
      expect(lines.map((line) => Number(line[6]))).toEqual([4, 8, 0, 0, 8, 64, 12]);
      const again = join(path, '..', 'again');
      run('tshark', ['-r', path, '-w', again, '-F', 'pcapng']);
      expect((await readFile(again, { buses })).rows).toEqual(rows);
    });
  });

  it.skipIf(!isThere('editcap', ['--version']))('converts between its containers without a frame changing', async () => {
    const writer = createFrameWriter('pcapng', buses);
    await withFile(Buffer.concat([writer.begin(), writer.frames(sample())]), async (path) => {
      for (const format of ['pcap', 'nsecpcap']) {
        const converted = `${path}.${format}`;
        run('editcap', ['-F', format, path, converted]);
        const { rows, counts } = await readFile(converted, { buses: [{ name: 'engine', index: 0 }] });
        expect(counts.format).toBe('pcap');
        expect(rows).toEqual(rowsOf(sample()).map((row) => ({ ...row, bus: 0 })));
      }
    });
  });
});

describe('python3-can', () => {
  const python = '/usr/bin/python3';
  const there = isThere(python, ['-c', 'import can']);

  it.skipIf(!there)('reads our text log, and what it writes is read', async () => {
    const script = `
import can, sys
rows = list(can.CanutilsLogReader(sys.argv[1]))
for m in rows:
    print("%.6f" % m.timestamp, m.channel, "%X" % m.arbitration_id, int(m.is_extended_id), int(m.is_remote_frame), int(m.is_error_frame), int(m.is_fd), m.data.hex().upper())
w = can.CanutilsLogWriter(sys.argv[2])
for m in rows:
    w.on_message_received(m)
w.stop()
`;
    await withFile(createFrameWriter('log', buses).frames(sample()), async (path) => {
      const again = `${path}.again`;
      const lines = run(python, ['-c', script, path, again])
        .trim()
        .split('\n')
        .map((line) => line.split(' '));
      const rows = rowsOf(sample());
      const data = rows.filter(({ id }) => !id.startsWith('E'));
      const read = lines.filter((line) => line[5] === '0');
      expect(read.map((line) => [line[1], Number.parseInt(line[2] as string, 16), line[4], line[6], line[7] ?? ''])).toEqual(
        data.map((row) => [
          `can${row.bus}`,
          Number.parseInt(row.id, 16),
          row.data.startsWith('R') ? '1' : '0',
          row.fd ? '1' : '0',
          row.data.replace(/^R.*/, ''),
        ]),
      );
      expect(lines.length).toBe(rows.length);
      const { rows: back, counts } = await readFile(again, { buses });
      expect(counts.malformed).toBe(0);
      // It forgets the interface of an error frame.
      expect([...counts.unmatched.values()]).toEqual([1]);
      expect(back.length).toBe(rows.length - 1);
      const classic = (all: Row[]) => all.filter(({ id, fd }) => fd === '' && !id.startsWith('E')).map(({ timeUs: _, ...row }) => row);
      expect(classic(back)).toEqual(classic(rows));
    });
  });
});

const boat = fileURLToPath(new URL('../../../shared/data/boat', import.meta.url));

describe('the recording of a real boat', () => {
  const there = existsSync(boat);
  if (!there) console.warn('skipped: the boat recording lies beside the checkout only where the project is built');

  it.skipIf(!there)('gives the same 47,783 frames from pcap and from its text twin, written and read again too', async () => {
    const hull = [{ name: 'hull', index: 0, interface: 'can0' }];
    const fromText = await readFile(join(boat, 'can0-3.log.gz'), { buses: hull });
    const fromPcap = await readFile(join(boat, 'can0-3.pcap'), { buses: hull });
    expect(fromText.rows.length).toBe(47783);
    expect(fromPcap.rows).toEqual(fromText.rows);
    const seconds = ((fromText.rows.at(-1)?.timeUs ?? 0) - (fromText.rows[0]?.timeUs ?? 0)) / 1e6;
    expect(seconds).toBeCloseTo(59.9975, 3);
    const batch = new FrameBatch();
    for (const { timeUs, id, data } of fromText.rows)
      batch.push(timeUs, 0, Number.parseInt(id, 16), 1, Buffer.from(data, 'hex'), 0, data.length / 2);
    const twin = gunzipSync(readFileSync(join(boat, 'can0-3.log.gz')));
    expect(createFrameWriter('log', hull).frames(batch).equals(twin)).toBe(true);
  });
});
