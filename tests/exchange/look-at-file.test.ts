// What the beginning of a file says before somebody imports it.
import { gzipSync } from 'node:zlib';
import { describe, expect, it } from 'vitest';
import { guessCsvColumns } from '../../server/exchange/csv-frames.ts';
import { type FileLook, lookAtFile } from '../../server/exchange/look-at-file.ts';
import type { RecordedFileOptions } from '../../server/exchange/recorded-file.ts';
import { withFile } from './read-frames.ts';

const oneBus = [{ name: 'engine', index: 0 }];
const twoBuses = [
  { name: 'engine', index: 0, interface: 'can0' },
  { name: 'hull', index: 1, interface: 'can1' },
];

async function look(content: string | Uint8Array, options: Partial<RecordedFileOptions> = {}): Promise<FileLook> {
  let seen: FileLook | undefined;
  await withFile(Buffer.from(content), async (path) => {
    seen = await lookAtFile(path, { buses: oneBus, ...options });
  });
  return seen as FileLook;
}

const log = '(1700000000.000454) can0 512#6C96\n(1700000001.000454) can2 512#6C97\n';

describe('a look at a file', () => {
  it('says its form and how many frames it found', async () => {
    expect(await look(log)).toEqual({ format: 'text log', frames: 2, unmatched: [], problem: '', headers: [], guess: {} });
  });

  it('names interfaces that no bus has', async () => {
    expect(await look(log, { buses: twoBuses })).toMatchObject({ frames: 1, unmatched: ['can2'], problem: '' });
    expect(await look(log, { buses: twoBuses, bus: 'hull' })).toMatchObject({ frames: 2, unmatched: [] });
  });

  it('is not disturbed by a beginning that breaks off, packed or not', async () => {
    const long = log.repeat(400);
    expect(await look(long.slice(0, 3333))).toMatchObject({ format: 'text log', problem: '' });
    const packed = gzipSync(long);
    expect(await look(packed.subarray(0, packed.length - 20))).toMatchObject({ format: 'text log', problem: '' });
  });

  it('reads a table by its usual names, and says which columns it has', async () => {
    const seen = await look('time,id,data\n1,100,AA\n');
    expect(seen).toMatchObject({ format: 'CSV', frames: 1, problem: '', headers: ['time', 'id', 'data'] });
  });

  it('offers the columns of a table whose names say nothing, packed too, and what they could be', async () => {
    const table = 'Timestamp [ms];CAN ID;DLC;Payload;Remark\n1.5;100;1;AA;\n';
    for (const content of [table, gzipSync(table)]) {
      const seen = await look(content);
      expect(seen).toMatchObject({ format: 'CSV', frames: 0, headers: ['Timestamp [ms]', 'CAN ID', 'DLC', 'Payload', 'Remark'] });
      expect(seen.problem).not.toBe('');
      expect(seen.guess).toEqual({ time_ms: 'Timestamp [ms]', id: 'CAN ID', length: 'DLC', data: 'Payload' });
      expect(await look(content, { columns: seen.guess })).toMatchObject({ format: 'CSV', frames: 1, problem: '' });
    }
  });

  it('says of anything else that it is no recording', async () => {
    expect(await look('a letter\nto a friend\n')).toMatchObject({ format: '', frames: 0, headers: [] });
    expect(await look(Uint8Array.from([0xff, 0xd8, 0xff, 0xe0, 0, 0, 1, 2]))).toMatchObject({ format: '', headers: [] });
    expect((await look('a letter\nto a friend\n')).problem).toContain('line 1');
  });

  it('finds an empty file a recording of silence', async () => {
    expect(await look('')).toMatchObject({ frames: 0, problem: '' });
  });
});

describe('a guess of columns', () => {
  it.each([
    [
      ['Time (s)', 'Bus', 'Identifier', 'Ext', 'Data'],
      { time: 'Time (s)', interface: 'Bus', id: 'Identifier', extended: 'Ext', data: 'Data' },
    ],
    [['time_us', 'arbitration_id', 'dlc', 'data_bytes'], { time_us: 'time_us', id: 'arbitration_id', length: 'dlc', data: 'data_bytes' }],
    [['Seconds', 'ID (dec)', 'RTR', 'bytes'], { time: 'Seconds', id_decimal: 'ID (dec)', remote: 'RTR', data: 'bytes' }],
    [['speed', 'load', 'lambda'], {}],
  ])('%j', (headers, guess) => {
    expect(guessCsvColumns(headers)).toEqual(guess);
  });
});
