import { constants, gunzipSync, gzipSync } from 'node:zlib';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { parseCsvColumns } from '../../server/exchange/csv-frames.ts';
import { createFrameWriter } from '../../server/exchange/frame-writer.ts';
import { openRecordedFile } from '../../server/exchange/recorded-file.ts';
import { oneBus, readContent, readFile, rowsOf, withFile } from './read-frames.ts';

const twoBuses = [
  { name: 'engine', index: 0, interface: 'can0' },
  { name: 'hull', index: 1, interface: 'can1' },
];
const log = '(1.0) can0 001#AA\n(1.1) can1 002#BB\n(1.2) can7 003#CC\n(1.3) can0 004#DD\n';

describe('which bus a frame belongs to', () => {
  it('is the only one of the vehicle, whatever the interface', async () => {
    const { rows, counts } = await readContent(log);
    expect(rows.map(({ bus }) => bus)).toEqual([0, 0, 0, 0]);
    expect(counts.unmatched.size).toBe(0);
  });

  it('is picked by its interface among several; others are left out, counted and named', async () => {
    const { rows, counts } = await readContent(log, { buses: twoBuses });
    expect(rows.map(({ id, bus }) => [id, bus])).toEqual([
      ['001', 0],
      ['002', 1],
      ['004', 0],
    ]);
    expect([...counts.unmatched]).toEqual([['can7', 1]]);
    expect(counts.frames).toBe(3);
  });

  it("is picked by the bus's own name where no interface says it", async () => {
    const { rows } = await readContent('(1.0) hull 001#\n(1.0) engine 002#\n', {
      buses: [
        { name: 'engine', index: 0 },
        { name: 'hull', index: 1 },
      ],
    });
    expect(rows.map(({ bus }) => bus)).toEqual([1, 0]);
  });

  it('is the one that the user chose', async () => {
    const { rows } = await readContent(log, { buses: twoBuses, bus: 'hull' });
    expect(rows.map(({ bus }) => bus)).toEqual([1, 1, 1, 1]);
    expect(() => openRecordedFile('x', { buses: twoBuses, bus: 'keel' })).toThrow(/no bus 'keel'/);
  });
});

describe('the form of a file', () => {
  it('is found by its content, packed or not', async () => {
    const packed = await readContent(gzipSync(log));
    expect(packed.rows).toEqual((await readContent(log)).rows);
    expect(packed.counts.format).toBe('text log');
    const two = await readContent(Buffer.concat([gzipSync('(1.0) can0 001#\n'), gzipSync('(2.0) can0 002#\n')]));
    expect(two.rows.map(({ id }) => id)).toEqual(['001', '002']);
  });

  it.each<[string, string | Uint8Array, RegExp]>([
    ['prose', 'Dear diary,\ntoday I drove.\n', /line 1/],
    ['binary data', Uint8Array.from({ length: 5000 }, (_, i) => (i * 7) & 255), /binary/],
    ['a pcap of another network', pcapFile({ linkType: 1 }), /link type is 1/],
    ['a pcap that ends in its header', pcapFile({}).subarray(0, 10), /ends inside its header/],
    ['packed prose', gzipSync('Dear diary,\n'), /no frame in it/],
    ['gzip that is none', Buffer.from('1f8b0800ffffffffffffffffffffffff', 'hex'), /gzip/],
  ])('is refused for %s', async (_title, content, why) => {
    await expect(readContent(content)).rejects.toMatchObject({
      code: 'INPUT_NOT_A_RECORDING',
      exitCode: 3,
      message: expect.stringMatching(why),
    });
  });

  it('is a recording of silence for an empty file', async () => {
    expect((await readContent('')).counts).toMatchObject({ frames: 0, malformed: 0 });
  });

  it('cannot be found where there is no file, or a folder', async () => {
    await expect(readFile('/nowhere/to/be/found.log')).rejects.toMatchObject({ code: 'INPUT_FILE_MISSING', exitCode: 3 });
    await expect(readFile('/')).rejects.toMatchObject({ code: 'INPUT_FILE_UNREADABLE', exitCode: 3 });
  });
});

describe('a damaged file', () => {
  it('of gzip gives everything before the break, and names it', async () => {
    const lines = Array.from({ length: 20_000 }, (_, i) => `(${i}.000001) can0 100#${String(i * 7919).padStart(16, '0')}\n`);
    const packed = gzipSync(lines.join(''));
    const cut = packed.subarray(0, packed.length >> 1);
    const whole = gunzipSync(cut, { finishFlush: constants.Z_SYNC_FLUSH }).toString().split('\n').length - 1;
    expect(whole).toBeGreaterThan(5000);
    const { rows, counts } = await readContent(cut);
    expect(rows.length).toBeGreaterThanOrEqual(whole);
    expect(rows.map(({ timeUs }) => timeUs)).toEqual(rows.map((_, i) => i * 1_000_000 + 1));
    // A last line of which half is there is no frame, though it looks like one.
    expect(rows.every(({ data }) => data.length === 16)).toBe(true);
    expect(counts.malformedNamed[0]?.why).toMatch(/gzip/);
  });

  it('of pcap goes on at the next sound record', async () => {
    const records = Array.from({ length: 20 }, (_, i) => pcapRecord(1000 + i, 5, socketCan(0x100 + i, '0102030405060708')));
    const damaged = Buffer.concat([pcapFile({}), ...records.slice(0, 5), Buffer.alloc(37, 0xff), ...records.slice(5)]);
    const { rows, counts } = await readContent(damaged);
    expect(rows.map(({ id }) => Number.parseInt(id, 16) - 0x100)).toEqual(Array.from({ length: 20 }, (_, i) => i));
    expect(counts.malformedNamed).toMatchObject([{ unit: 'byte', at: 24 + 5 * 32 }]);
  });

  it('of pcap that ends inside a record says where', async () => {
    const { rows, counts } = await readContent(Buffer.concat([pcapFile({}), pcapRecord(1, 0, socketCan(1, 'AA'))]).subarray(0, -1));
    expect(rows).toEqual([]);
    expect(counts.malformedNamed).toMatchObject([{ unit: 'byte', at: 24 }]);
  });

  it('of pcapng goes on at the next sound block', async () => {
    const batch = madeBatch(20);
    const writer = createFrameWriter('pcapng', oneBus);
    const begin = writer.begin();
    const blocks = writer.frames(batch);
    const size = blocks.readUInt32LE(4);
    const damaged = Buffer.concat([begin, blocks.subarray(0, 3 * size), Buffer.alloc(40, 0x55), blocks.subarray(3 * size)]);
    const { rows, counts } = await readContent(damaged);
    expect(rows).toEqual(rowsOf(batch));
    expect(counts.malformedNamed).toMatchObject([{ unit: 'byte', at: begin.length + 3 * size }]);
  });
});

describe('pcap', () => {
  it.each([
    ['little-endian microseconds', { little: true, nanoseconds: false }],
    ['big-endian microseconds', { little: false, nanoseconds: false }],
    ['little-endian nanoseconds', { little: true, nanoseconds: true }],
    ['big-endian nanoseconds', { little: false, nanoseconds: true }],
  ])('of %s is read', async (_title, form) => {
    const fraction = form.nanoseconds ? 454_600 : 455;
    const { rows, counts } = await readContent(
      Buffer.concat([
        pcapFile(form),
        pcapRecord(1_700_000_000, fraction, socketCan(0x512, '6C9600E3'), form),
        pcapRecord(1_700_000_001, 0, socketCan(0x98fef100, 'FFFF'), form),
        pcapRecord(1_700_000_002, 0, socketCan(0x20000004, '0004000000000000'), form),
        pcapRecord(1_700_000_003, 0, socketCan(0x40000123, '', { length: 4 }), form),
        pcapRecord(1_700_000_004, 0, socketCan(0x123, 'AA'.repeat(12), { fd: 5 }), form),
        pcapRecord(1_700_000_005, 0, socketCan(0x123, 'AABB', { padTo: 72, fd: 2 }), form),
      ]),
    );
    expect(rows).toEqual([
      { timeUs: 1_700_000_000_000_455, bus: 0, id: '512', data: '6C9600E3', fd: '' },
      { timeUs: 1_700_000_001_000_000, bus: 0, id: '18FEF100', data: 'FFFF', fd: '' },
      { timeUs: 1_700_000_002_000_000, bus: 0, id: 'E00000004', data: '0004000000000000', fd: '' },
      { timeUs: 1_700_000_003_000_000, bus: 0, id: '123', data: 'R4', fd: '' },
      { timeUs: 1_700_000_004_000_000, bus: 0, id: '123', data: 'AA'.repeat(12), fd: 'FB' },
      { timeUs: 1_700_000_005_000_000, bus: 0, id: '123', data: 'AABB', fd: 'FE' },
    ]);
    expect(counts.roundedTimes).toBe(form.nanoseconds ? 1 : 0);
    expect(counts.malformed).toBe(0);
  });

  it('names packets that are no frame', async () => {
    const { rows, counts } = await readContent(
      Buffer.concat([
        pcapFile({}),
        pcapRecord(1, 0, socketCan(0x800, 'AA')),
        pcapRecord(1, 0, socketCan(0x100, 'AA', { length: 9 })),
        pcapRecord(1, 0, socketCan(0x100, 'AA', { length: 4 })),
        pcapRecord(1, 0, socketCan(0x100, 'AA')),
      ]),
    );
    expect(rows.length).toBe(1);
    expect(counts.malformed).toBe(3);
  });
});

describe('pcapng', () => {
  it.each([true, false])('of either byte order, with names, resolutions, offsets and directions (little-endian %s)', async (little) => {
    const bytes = Buffer.concat([
      ngBlock(little, 0x0a0d0d0a, [u32(little, 0x1a2b3c4d), u16(little, 1), u16(little, 0), Buffer.alloc(8, 255)]),
      ngBlock(little, 1, [u16(little, 227), u16(little, 0), u32(little, 0), ngOption(little, 2, Buffer.from('can1'))]),
      ngBlock(little, 1, [
        u16(little, 227),
        u16(little, 0),
        u32(little, 0),
        ngOption(little, 2, Buffer.from('can0')),
        ngOption(little, 9, Buffer.of(9)),
        ngOption(little, 14, little ? Buffer.from('0a00000000000000', 'hex') : Buffer.from('000000000000000a', 'hex')),
      ]),
      ngBlock(little, 1, [u16(little, 1), u16(little, 0), u32(little, 0)]),
      // A block of a kind that we don't know is skipped.
      ngBlock(little, 0x0bad, [Buffer.alloc(8)]),
      ngPacket(little, 0, 1_000_000n, socketCan(0x100, 'AA'), 2),
      ngPacket(little, 1, 2_000_000_700n, socketCan(0x101, 'BBCC'), 1),
      ngPacket(little, 2, 0n, Buffer.alloc(60)),
      ngPacket(little, 9, 0n, socketCan(0x101, 'BB')),
    ]);
    const { rows, counts } = await readContent(bytes, { buses: twoBuses });
    expect(rows).toEqual([
      { timeUs: 1_000_000, bus: 1, id: '100', data: 'AA', fd: '' },
      { timeUs: 12_000_001, bus: 0, id: '101', data: 'BBCC', fd: '' },
    ]);
    expect([counts.received, counts.transmitted, counts.roundedTimes, counts.malformed]).toEqual([1, 1, 1, 2]);
  });

  // The obsolete Packet Block: draft-ietf-opsawg-pcapng, appendix A. Its time is in the units of its interface, like any.
  it.each([true, false])('with packets in the older form of block, which hold frames like any other (little-endian %s)', async (little) => {
    const packet = socketCan(0x100, 'AA');
    const { rows, counts } = await readContent(
      Buffer.concat([
        ngBlock(little, 0x0a0d0d0a, [u32(little, 0x1a2b3c4d), u16(little, 1), u16(little, 0), Buffer.alloc(8, 255)]),
        ngBlock(little, 1, [u16(little, 227), u16(little, 0), u32(little, 0), ngOption(little, 9, Buffer.of(0x80 | 20))]),
        // Interface, drops (not known), time: a second and a half in parts of 2^20, and the size twice.
        ngBlock(little, 2, [
          u16(little, 0),
          u16(little, 0xffff),
          u32(little, 0),
          u32(little, (3 << 20) / 2),
          u32(little, packet.length),
          u32(little, packet.length),
          packet,
          Buffer.alloc(-packet.length & 3),
        ]),
      ]),
    );
    expect(rows).toEqual([{ timeUs: 1_500_000, bus: 0, id: '100', data: 'AA', fd: '' }]);
    expect(counts.malformed).toBe(0);
  });
});

describe('CSV', () => {
  it('is read by its header, in any order and with any separator', async () => {
    const { rows, counts } = await readContent(
      'id;data;time;fd;extended;remote;length\r\n0x512;6C 96 00 E3;1700000000.000454;;;;\r\n18FEF100;FFFF;1.5;0;;;2\r\n0x123;;2;;1;;\r\n123;;3;;;1;4\r\n123;"00";4;1;;;\r\n',
    );
    expect(rows).toEqual([
      { timeUs: 1_700_000_000_000_454, bus: 0, id: '512', data: '6C9600E3', fd: '' },
      { timeUs: 1_500_000, bus: 0, id: '18FEF100', data: 'FFFF', fd: '' },
      { timeUs: 2_000_000, bus: 0, id: '00000123', data: '', fd: '' },
      { timeUs: 3_000_000, bus: 0, id: '123', data: 'R4', fd: '' },
      { timeUs: 4_000_000, bus: 0, id: '123', data: '00', fd: 'F' },
    ]);
    expect(counts).toMatchObject({ format: 'CSV', malformed: 0 });
  });

  it('is read by the columns that the user names', async () => {
    const { rows } = await readContent('"Time (s)",Net,CAN ID,Payload\n1.0000005,can1,100,AA\n', {
      buses: twoBuses,
      columns: { time: 'Time (s)', interface: 'Net', id: 'CAN ID', data: 'Payload' },
    });
    expect(rows).toEqual([{ timeUs: 1_000_001, bus: 1, id: '100', data: 'AA', fd: '' }]);
  });

  it.each([
    ['time_ms', '1700000000000.4545', 1_700_000_000_000_455, 1],
    ['time_us', '1700000000000454', 1_700_000_000_000_454, 0],
    ['time_us', '0.4', 0, 1],
    ['time_ns', '1700000000000454321', 1_700_000_000_000_454, 1],
    ['time_ns', '499', 0, 1],
    ['time_ns', '1500', 2, 1],
    ['time', '0.0000005', 1, 1],
  ] as const)('has times in the unit that the column says: %s %s', async (field, text, timeUs, roundedTimes) => {
    const { rows, counts } = await readContent(`t,id,data\n${text},100,AA\n`, {
      buses: [{ name: 'engine', index: 0 }],
      columns: { [field]: 't' },
    });
    expect([rows.map((row) => row.timeUs), counts.roundedTimes, counts.malformed]).toEqual([[timeUs], roundedTimes, 0]);
  });

  it('is told its columns with quotes where a header holds a comma', () => {
    expect(parseCsvColumns('time="Time, ms",id=CAN ID,data="the ""bytes"""')).toEqual({
      time: 'Time, ms',
      id: 'CAN ID',
      data: 'the "bytes"',
    });
    expect(() => parseCsvColumns('time=Time, ms')).toThrow(/' ms' is not FIELD=HEADER/);
  });

  it('may have ids in decimal; 29 bits where the number needs them', async () => {
    const { rows, counts } = await readContent('time,id_decimal,data\n1,1298,AA\n2,419361024,BB\n3,0x512,CC\n4,4000000000,DD\n');
    expect(rows.map(({ id }) => id)).toEqual(['512', '18FEF100']);
    expect(counts.malformedNamed.map(({ at, why }) => [at, why])).toEqual([
      [4, "'0x512' is not an id in decimal"],
      [5, "'4000000000' is not an id in decimal"],
    ]);
  });

  it('says why a time is none, by the unit of its column', async () => {
    const { counts } = await readContent('time_ms,id,data\n1.5,100,AA\nnoon,100,AA\n99999999999999999,100,AA\n');
    expect(counts.malformedNamed.map(({ why }) => why)).toEqual([
      "'noon' is not a time in milliseconds",
      "'99999999999999999' is not a time in milliseconds",
    ]);
  });

  it('has a comma before the decimals of a time where semicolons part the cells, and only there', async () => {
    const semicolons = await readContent('time;id;data\n1,0000005;100;AA\n1.5;100;AA\n1,5.0;100;AA\n');
    expect(semicolons.rows.map(({ timeUs }) => timeUs)).toEqual([1_000_001, 1_500_000]);
    expect(semicolons.counts.malformedNamed.map(({ why }) => why)).toEqual(["'1,5.0' is not a time in seconds"]);
    const commas = await readContent('time,id,data\n"1,5",100,AA\n2.5,100,AA\n');
    expect(commas.rows.map(({ timeUs }) => timeUs)).toEqual([2_500_000]);
  });

  it('makes no frame without data of a row that was cut off', async () => {
    const { rows, counts } = await readContent('time,id,data\n1.0,100,AA\n1.1,100');
    expect(rows.map(({ data }) => data)).toEqual(['AA']);
    expect(counts.malformedNamed).toEqual([{ at: 3, unit: 'line', why: 'the row ends before its data, after 2 cells' }]);
  });

  it.each(['abc,100,AA', '1.0,xyz,AA', '1.0,100,A', '1.0,100,GG', `1.0,100,${'AA'.repeat(9)}`, '1.0,3FFFFFFF,AA', ''])(
    'names a row that is no frame: %s',
    async (line) => {
      const { rows, counts } = await readContent(`time,id,data\n1.0,001,\n${line}\n1.0,002,\n`);
      expect(rows.map(({ id }) => id)).toEqual(['001', '002']);
      expect(counts.malformedNamed.map(({ at }) => at)).toEqual(line === '' ? [] : [3]);
    },
  );
});

describe('our own writers', () => {
  const arbitraryFrames = fc.array(
    fc.record({
      timeUs: fc.nat(2 ** 31 - 1).map((n) => 1_700_000_000_000_000 + n),
      bus: fc.nat(1),
      kind: fc.constantFrom('classic', 'remote', 'error', 'fd'),
      extended: fc.boolean(),
      id: fc.nat(0x1fffffff),
      bits: fc.nat(3),
      bytes: fc.uint8Array({ minLength: 64, maxLength: 64 }),
      length: fc.nat(8),
      fdLength: fc.constantFrom(0, 3, 8, 12, 16, 20, 24, 32, 48, 64),
    }),
    { maxLength: 60 },
  );

  it.each(['log', 'pcapng'] as const)('write %s that reads back the same, however the file is cut', async (format) => {
    await fc.assert(
      fc.asyncProperty(arbitraryFrames, async (frames) => {
        const batch = new FrameBatch(1, 8);
        for (const { timeUs, bus, kind, extended, id, bits, bytes, length, fdLength } of frames) {
          const base = kind === 'error' ? 4 : extended ? 1 : 0;
          const flags = kind === 'remote' ? base | 2 : kind === 'fd' ? base | 8 | (bits << 4) : base;
          const own = kind === 'error' ? id : extended ? id : id & 0x7ff;
          batch.push(timeUs, bus, own, flags, bytes, 0, kind === 'fd' ? fdLength : kind === 'error' ? 8 : length);
        }
        const writer = createFrameWriter(format, twoBuses);
        const file = Buffer.concat([writer.begin(), writer.frames(batch)]);
        const { rows, counts } = await readContent(file, { buses: twoBuses });
        expect(rows).toEqual(rowsOf(batch));
        expect(counts.malformed).toBe(0);
      }),
      { numRuns: 60 },
    );
  });
});

describe('reading', () => {
  it('stops when it is told to', async () => {
    const stop = new AbortController();
    await withFile(log.repeat(50_000), async (path) => {
      const file = openRecordedFile(path, { buses: oneBus, signal: stop.signal });
      const reading = (async () => {
        for await (const _ of file) stop.abort(new Error('enough'));
      })();
      await expect(reading).rejects.toThrow('enough');
      expect(file.progress.bytesRead).toBeLessThan(file.progress.bytesTotal as number);
    });
  });
});

function madeBatch(count: number): FrameBatch {
  const batch = new FrameBatch();
  for (let i = 0; i < count; i++) batch.push(1_000_000 + i, 0, 0x100 + i, 0, Uint8Array.of(1, 2, 3, 4, 5, 6, 7, i), 0, 8);
  return batch;
}

function u16(little: boolean, value: number): Buffer {
  const bytes = Buffer.alloc(2);
  if (little) bytes.writeUInt16LE(value);
  else bytes.writeUInt16BE(value);
  return bytes;
}

function u32(little: boolean, value: number): Buffer {
  const bytes = Buffer.alloc(4);
  if (little) bytes.writeUInt32LE(value);
  else bytes.writeUInt32BE(value);
  return bytes;
}

interface PcapForm {
  little?: boolean;
  nanoseconds?: boolean;
  linkType?: number;
}

function pcapFile({ little = true, nanoseconds = false, linkType = 227 }: PcapForm): Buffer {
  const magic = nanoseconds ? 0xa1b23c4d : 0xa1b2c3d4;
  return Buffer.concat([u32(little, magic), u16(little, 2), u16(little, 4), Buffer.alloc(8), u32(little, 65535), u32(little, linkType)]);
}

function pcapRecord(seconds: number, fraction: number, packet: Buffer, { little = true }: PcapForm = {}): Buffer {
  return Buffer.concat([u32(little, seconds), u32(little, fraction), u32(little, packet.length), u32(little, packet.length), packet]);
}

/** A packet of link type 227: id and flags big-endian, length, FD flags, two bytes unused, data. */
function socketCan(id: number, hex: string, { length = hex.length / 2, fd = 0, padTo = 0 } = {}): Buffer {
  const packet = Buffer.concat([u32(false, id), Buffer.of(length, fd, 0, 0), Buffer.from(hex, 'hex')]);
  return Buffer.concat([packet, Buffer.alloc(Math.max(0, padTo - packet.length))]);
}

function ngBlock(little: boolean, type: number, parts: Buffer[]): Buffer {
  const body = Buffer.concat(parts);
  const size = 12 + body.length;
  return Buffer.concat([u32(little, type), u32(little, size), body, u32(little, size)]);
}

function ngOption(little: boolean, code: number, value: Buffer): Buffer {
  return Buffer.concat([u16(little, code), u16(little, value.length), value, Buffer.alloc(-value.length & 3)]);
}

function ngPacket(little: boolean, from: number, stamp: bigint, packet: Buffer, direction = 0): Buffer {
  return ngBlock(little, 6, [
    u32(little, from),
    u32(little, Number(stamp >> 32n)),
    u32(little, Number(stamp & 0xffffffffn)),
    u32(little, packet.length),
    u32(little, packet.length),
    packet,
    Buffer.alloc(-packet.length & 3),
    ngOption(little, 2, u32(little, direction)),
    ngOption(little, 0, Buffer.alloc(0)),
  ]);
}
