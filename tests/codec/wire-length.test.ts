import { readFileSync } from 'node:fs';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import { wireBits, wireBitsMax, wireSeconds } from '../../server/codec/wire-length.ts';

interface Vector {
  id: number;
  ext: boolean;
  data: string;
  crc15: number;
  unstuffedBits: number;
  stuffBits: number;
  totalBits: number;
  worstCaseBits: number;
}

// 219 frames on which three independent programs agree: can-utils canframelen.c (CTU Prague, commit 95aae6bf), canhack
// src/canframe.py (Canis Labs, commit e0c3a3da), ripyl protocol/can.py.
const vectors = JSON.parse(readFileSync(new URL('../fixtures/can-frame-lengths.json', import.meta.url), 'utf8')) as Vector[];

describe('length of a classic frame on the wire', () => {
  it('equals what three independent programs count, stuff bits included, for 219 frames', () => {
    expect(vectors.length).toBe(219);
    for (const { id, ext, data, totalBits, worstCaseBits } of vectors) {
      const bytes = Buffer.from(data, 'hex');
      const flags = ext ? frameFlag.extended : 0;
      expect([id, data, wireBits(id, flags, bytes, bytes.length)]).toEqual([id, data, totalBits]);
      expect(wireBitsMax(flags, bytes.length)).toBe(worstCaseBits);
    }
  });

  it('counts a remote frame without data, its length code kept', () => {
    // Counted by hand: SOF and 11 id bits of 0x555 alternate 0 1 0 1 ...; RTR 1 follows the last 1, then IDE 0, r0 0 and DLC 0001.
    // Its CRC can't be foreseen, so the bounds: no stuffing at all, and the worst case.
    const bits = wireBits(0x555, frameFlag.remote, new Uint8Array(0), 1);
    expect(bits).toBeGreaterThanOrEqual(47);
    expect(bits).toBeLessThanOrEqual(55);
  });

  it('is nothing for an error frame', () => {
    expect(wireBits(4, frameFlag.error, new Uint8Array(8), 8)).toBe(0);
  });

  it('reads the data from where it is told', () => {
    const bytes = Buffer.from('ffff01ff', 'hex');
    expect(wireBits(0x14, 0, bytes, 1, 2)).toBe(58);
  });
});

describe('length of an FD frame on the wire', () => {
  // [bytes, standard without stuffing, worst, extended without, worst]; sums over the fields of Linux include/linux/can/length.h, the
  // row of 64 as in the kernel's own commit text.
  const rows = [
    [0, 62, 67, 81, 91],
    [8, 126, 147, 145, 171],
    [12, 158, 187, 177, 211],
    [16, 190, 227, 209, 251],
    [20, 227, 272, 246, 296],
    [24, 259, 312, 278, 336],
    [32, 323, 392, 342, 416],
    [48, 451, 552, 470, 576],
    [64, 579, 712, 598, 736],
  ] as const;

  it.each(rows)('of %i bytes has the published worst case', (bytes, _none, standard, _extendedNone, extended) => {
    expect(wireBitsMax(frameFlag.fd, bytes)).toBe(standard);
    expect(wireBitsMax(frameFlag.fd | frameFlag.extended, bytes)).toBe(extended);
  });

  it('lies between no stuffing and the worst case, and equals a count bit by bit', () => {
    fc.assert(
      fc.property(
        fc.constantFrom(...rows),
        fc.boolean(),
        fc.boolean(),
        fc.boolean(),
        fc.nat(0x1fffffff),
        fc.uint8Array({ minLength: 64, maxLength: 64 }),
        fc.constantFrom('random', 'zeros', 'ones'),
        ([length, standardNone, , extendedNone], extended, brs, esi, anyId, random, fill) => {
          const id = extended ? anyId : anyId & 0x7ff;
          const bytes = fill === 'random' ? random : new Uint8Array(64).fill(fill === 'zeros' ? 0 : 255);
          const flags =
            frameFlag.fd |
            (extended ? frameFlag.extended : 0) |
            (brs ? frameFlag.bitRateSwitch : 0) |
            (esi ? frameFlag.errorStateIndicator : 0);
          const bits = wireBits(id, flags, bytes, length);
          const none = extended ? extendedNone : standardNone;
          expect(bits).toBe(none + stuffBitsOfFd(id, extended, brs, esi, length, bytes));
          expect(bits).toBeLessThanOrEqual(wireBitsMax(flags, length));
        },
      ),
      { numRuns: 2000 },
    );
  });

  it('sends the data phase at the data rate when the frame switches', () => {
    const bytes = new Uint8Array(64).fill(0x55);
    const flags = frameFlag.fd | frameFlag.bitRateSwitch;
    const slow = wireSeconds(0x555, flags, bytes, 64, 500_000, undefined);
    const fast = wireSeconds(0x555, flags, bytes, 64, 500_000, 2_000_000);
    expect(slow).toBeCloseTo(wireBits(0x555, flags, bytes, 64) / 500_000, 12);
    // 17 bits up to the switch and 12 behind the CRC field at 2 µs, 0x555 0x55 having no runs of five; 550 bits at 0.5 µs.
    expect(fast).toBeCloseTo(29 * 2e-6 + 550 * 0.5e-6, 9);
    expect(wireSeconds(0x555, frameFlag.fd, bytes, 64, 500_000, 2_000_000)).toBe(wireBits(0x555, frameFlag.fd, bytes, 64) / 500_000);
  });
});

/** Stuff bits of header and data, a bit at a time; a run that ends with the last bit brings none. */
function stuffBitsOfFd(id: number, extended: boolean, brs: boolean, esi: boolean, length: number, bytes: Uint8Array): number {
  const codes = new Map([
    [12, 9],
    [16, 10],
    [20, 11],
    [24, 12],
    [32, 13],
    [48, 14],
    [64, 15],
  ]);
  const text = (value: number, bits: number): string => value.toString(2).padStart(bits, '0');
  const idText = extended ? `${text(id >>> 18, 11)}11${text(id & 0x3ffff, 18)}0` : `${text(id, 11)}00`;
  let all = `0${idText}10${brs ? 1 : 0}${esi ? 1 : 0}${text(codes.get(length) ?? length, 4)}`;
  for (let i = 0; i < length; i++) all += text(bytes[i] as number, 8);
  let stuffed = 0;
  let run = 0;
  let previous = '';
  for (let i = 0; i < all.length; i++) {
    run = all[i] === previous ? run + 1 : 1;
    previous = all[i] as string;
    if (run === 5 && i < all.length - 1) {
      stuffed++;
      run = 1;
      previous = previous === '0' ? '1' : '0';
    }
  }
  return stuffed;
}
