import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { encodeFrame, toRaw } from '../../server/codec/encoder.ts';
import { slowPattern } from '../reference/slow-decoder.ts';
import { madeFrame, madeSignal, range } from './made-vehicle.ts';

describe('encoding a frame', () => {
  it('puts values at the nearest raw and holds them inside the bits', () => {
    const signal = madeSignal({ name: 'temp', bitLength: 16, factor: 0.1, offset: -50 });
    expect(toRaw(signal, 23.4)).toBe(734n);
    expect(toRaw(signal, -1000)).toBe(0n);
    expect(toRaw(signal, 1e9)).toBe(65535n);
    expect(toRaw(madeSignal({ name: 's', bitLength: 8, sign: 'signed' }), -200)).toBe(-128n);
    expect(toRaw(madeSignal({ name: 's', bitLength: 8 }), Number.POSITIVE_INFINITY)).toBe(255n);
    expect(toRaw(madeSignal({ name: 'f', bitLength: 32, sign: 'float' }), 1.5)).toBe(0x3fc00000n);
  });

  it('writes little-endian, big-endian and given raws where the numbering says', () => {
    const frame = madeFrame({
      lengthBytes: 5,
      signals: [
        madeSignal({ name: 'a', startBit: 4, bitLength: 12 }),
        madeSignal({ name: 'b', startBit: 23, bitLength: 16, byteOrder: 'big' }),
        madeSignal({ name: 'c', startBit: 32, bitLength: 8, sign: 'signed' }),
      ],
    });
    const bytes = encodeFrame(
      frame,
      new Map([['a', 0x966]]),
      new Map([
        ['b', 0x1234n],
        ['c', -2n],
      ]),
    );
    expect(Buffer.from(bytes).toString('hex')).toBe('60961234fe');
  });

  it('leaves out a signal whose page is not the one chosen', () => {
    const page = madeSignal({ name: 'page', startBit: 0, bitLength: 4 });
    const first = { ...madeSignal({ name: 'first', startBit: 8 }), when: [{ signal: 'page', ranges: [range(0)] }] };
    const second = { ...madeSignal({ name: 'second', startBit: 8 }), when: [{ signal: 'page', ranges: [range(1, 3)] }] };
    const frame = madeFrame({ lengthBytes: 2, signals: [page, first, second] });
    const values = new Map([
      ['page', 2],
      ['first', 0x11],
      ['second', 0x22],
    ]);
    expect(Buffer.from(encodeFrame(frame, values)).toString('hex')).toBe('0222');
    values.set('page', 0);
    expect(Buffer.from(encodeFrame(frame, values)).toString('hex')).toBe('0011');
  });

  it('is undone by a slow reading of the bits', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 64 }),
        fc.nat(511),
        fc.boolean(),
        fc.bigInt(0n, (1n << 64n) - 1n),
        (bitLength, place, big, any) => {
          const from = place % (512 - bitLength + 1);
          const signal = madeSignal({
            name: 'one',
            bitLength,
            startBit: big ? (from & ~7) | (7 - (from & 7)) : from,
            byteOrder: big ? 'big' : 'little',
          });
          const raw = any & ((1n << BigInt(bitLength)) - 1n);
          const bytes = encodeFrame(madeFrame({ lengthBytes: 64, signals: [signal] }), new Map(), new Map([['one', raw]]));
          expect(slowPattern(bytes, signal)).toBe(raw);
        },
      ),
      { numRuns: 1000 },
    );
  });
});
