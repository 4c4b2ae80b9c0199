// Thousands of damaged recordings of every form: never a crash, only frames that a bus could have carried, or an error that says what to do.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gzipSync } from 'node:zlib';
import fc from 'fast-check';
import { afterAll, describe, expect, it } from 'vitest';
import { EvenburnError } from '../../server/errors.ts';
import { openRecordedFile } from '../../server/exchange/recorded-file.ts';

const folder = mkdtempSync(join(tmpdir(), 'evenburn-mangled-'));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

const count = 40;
const each = <T>(make: (i: number) => T): T[] => Array.from({ length: count }, (_, i) => make(i));
const hex = (i: number) => (0x100 + i).toString(16).toUpperCase();
const textLog = each((i) => `(${1_700_000_000 + i}.000100) can0 ${hex(i)}${i % 7 === 0 ? '##1' : '#'}A1B2C3D4`).join('\n');
const table = ['time,id,data,bus', ...each((i) => `${i / 100},0x${hex(i)},0102030405,can0`)].join('\n');

/** Link type 227, records of one 8-byte frame. Source of the form: https://www.tcpdump.org/linktypes/LINKTYPE_CAN_SOCKETCAN.html */
function canFrame(i: number): Buffer {
  const frame = Buffer.alloc(16);
  frame.writeUInt32BE(0x100 + i, 0);
  frame[4] = 8;
  frame.writeUInt32LE(i, 8);
  return frame;
}

function pcap(bigEndian: boolean): Buffer {
  const words = (...values: number[]) => {
    const bytes = Buffer.alloc(values.length * 4);
    for (const [i, value] of values.entries()) bigEndian ? bytes.writeUInt32BE(value, i * 4) : bytes.writeUInt32LE(value, i * 4);
    return bytes;
  };
  const header = Buffer.concat([words(0xa1b2c3d4, bigEndian ? 0x00020004 : 0x00040002, 0, 0, 65_535, 227)]);
  return Buffer.concat([header, ...each((i) => [words(1_700_000_000 + i, i, 16, 16), canFrame(i)]).flat()]);
}

function pcapng(): Buffer {
  const block = (type: number, body: Buffer) => {
    const ends = Buffer.alloc(8);
    ends.writeUInt32LE(type, 0);
    ends.writeUInt32LE(body.length + 12, 4);
    return Buffer.concat([ends, body, ends.subarray(4)]);
  };
  const packet = (i: number) => {
    const head = Buffer.alloc(20);
    const stamp = BigInt(1_700_000_000 + i) * 1_000_000n;
    head.writeUInt32LE(Number(stamp >> 32n), 4);
    head.writeUInt32LE(Number(stamp & 0xffffffffn), 8);
    head.writeUInt32LE(16, 12);
    head.writeUInt32LE(16, 16);
    return block(6, Buffer.concat([head, canFrame(i)]));
  };
  const section = block(0x0a0d0d0a, Buffer.from('4d3c2b1a01000000ffffffffffffffff', 'hex'));
  return Buffer.concat([section, block(1, Buffer.from('e300000000000000', 'hex')), ...each(packet)]);
}

const sound: Record<string, Buffer> = {
  'text log': Buffer.from(textLog),
  CSV: Buffer.from(table),
  'pcap, little-endian': pcap(false),
  'pcap, big-endian': pcap(true),
  pcapng: pcapng(),
};

const slip = fc.record({
  where: fc.double({ min: 0, max: 1, noNaN: true }),
  how: fc.constantFrom('byte', 'cut', 'leave out', 'put in', 'word'),
  bytes: fc.uint8Array({ minLength: 4, maxLength: 40 }),
});

function mangled(bytes: Buffer, { where, how, bytes: noise }: { where: number; how: string; bytes: Uint8Array }): Buffer {
  const at = Math.floor(where * bytes.length);
  const [before, behind] = [bytes.subarray(0, at), bytes.subarray(at)];
  if (how === 'cut') return before;
  if (how === 'leave out') return Buffer.concat([before, behind.subarray(noise.length)]);
  if (how === 'put in') return Buffer.concat([before, noise, behind]);
  const over = noise.subarray(0, how === 'byte' ? 1 : 4);
  return Buffer.concat([before, over, behind.subarray(over.length)]);
}

/** Number of frames; throws when one is none that a bus could have carried. */
async function read(bytes: Buffer): Promise<number> {
  const path = join(folder, 'one');
  writeFileSync(path, bytes);
  let frames = 0;
  for await (const batch of openRecordedFile(path, { buses: [{ name: 'engine', index: 0 }] })) {
    for (let i = 0; i < batch.count; i++) {
      expect(Number.isSafeInteger(batch.timeUs[i]) && (batch.timeUs[i] as number) >= 0).toBe(true);
      expect(batch.length[i]).toBeLessThanOrEqual(64);
      expect(batch.id[i]).toBeLessThanOrEqual(0x1fffffff);
      frames++;
    }
  }
  return frames;
}

describe('a recording', () => {
  it.each(Object.entries(sound).filter(([form]) => form !== 'CSV'))('that is a sound %s has all its frames', async (_, bytes) => {
    expect(await read(bytes)).toBe(count);
  });

  it('that is damaged anywhere is read as far as it goes, or refused in words', async () => {
    const property = fc.asyncProperty(
      fc.constantFrom(...Object.values(sound)),
      fc.array(slip, { minLength: 1, maxLength: 4 }),
      fc.boolean(),
      async (bytes, slips, packed) => {
        const damaged = slips.reduce(mangled, bytes);
        await read(packed ? mangled(gzipSync(damaged), slips[0] as (typeof slips)[0]) : damaged).catch((error: unknown) => {
          if (!(error instanceof EvenburnError)) throw error;
        });
      },
    );
    await fc.assert(property, { numRuns: 1500 });
  });

  it('of a time that no clock gives names the packet and goes on', async () => {
    const bytes = pcapng();
    // The upper word of the first packet's time: section and interface take 28 and 20 bytes, its own head 12.
    bytes.writeUInt32LE(0xffffffff, 28 + 20 + 12);
    expect(await read(bytes)).toBe(count - 1);
  });

  it('of three bytes of a capture is refused in words', async () => {
    await expect(read(pcap(true).subarray(0, 3))).rejects.toMatchObject({ code: 'INPUT_NOT_A_RECORDING' });
  });
});
