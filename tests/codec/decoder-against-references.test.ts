import { createRequire } from 'node:module';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { hasValue, qualityNames } from '../../server/channels/quality.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { bytesNeeded, extractRaw } from '../../server/codec/bits.ts';
import { compileDecoder } from '../../server/codec/decoder.ts';
import type { Frame, RawRange, Signal } from '../../server/definitions/vehicle.ts';
import { type SlowSample, slowDecode, slowPattern } from '../reference/slow-decoder.ts';
import { madeFrame, madeSignal, madeVehicle } from './made-vehicle.ts';

const fdLengths = [12, 16, 20, 24, 32, 48, 64];

/** A signal that fits into `lengthBytes`: any position, both byte orders, 1 to 64 bits. */
function arbitrarySignal(index: number, lengthBytes: number): fc.Arbitrary<Signal> {
  const bitsMax = Math.min(64, lengthBytes * 8);
  return fc
    .record({
      sign: fc.constantFrom('unsigned' as const, 'signed' as const, 'float' as const),
      length: fc.oneof(fc.integer({ min: 1, max: bitsMax }), fc.constantFrom(1, Math.min(32, bitsMax), Math.min(33, bitsMax), bitsMax)),
      place: fc.nat(lengthBytes * 8),
      byteOrder: fc.constantFrom('little' as const, 'big' as const),
      factor: fc.constantFrom(1, 0.1, -1, 2.5, 1 / 3, -0.03125, 1e-9, 4e7),
      offset: fc.constantFrom(0, -50, 273.15, 1e-3, -0),
      low: fc.option(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { nil: undefined }),
      high: fc.option(fc.double({ min: -1e6, max: 1e6, noNaN: true }), { nil: undefined }),
      fault: fc.array(fc.tuple(fc.bigInt(0n, (1n << 64n) - 1n), fc.boolean(), fc.integer({ min: 0, max: 4 })), { maxLength: 2 }),
      notAvailable: fc.array(fc.tuple(fc.bigInt(0n, (1n << 64n) - 1n), fc.boolean(), fc.integer({ min: 0, max: 4 })), { maxLength: 2 }),
    })
    .map(({ sign, length, place, byteOrder, factor, offset, low, high, fault, notAvailable }) => {
      const isFloat = sign === 'float' && bitsMax >= 32;
      const bitLength = isFloat ? (bitsMax >= 64 && length > 32 ? 64 : 32) : length;
      const from = place % (lengthBytes * 8 - bitLength + 1);
      const startBit = byteOrder === 'little' ? from : (from & ~7) | (7 - (from & 7));
      const made = { sign: isFloat ? sign : sign === 'float' ? ('unsigned' as const) : sign, bitLength };
      return madeSignal({
        ...made,
        name: `signal_${index}`,
        startBit,
        byteOrder,
        factor,
        offset,
        ...(low === undefined ? {} : { min: low }),
        ...(high === undefined ? {} : { max: high }),
        fault: fault.map((given) => rangeOf(made, given)),
        notAvailable: notAvailable.map((given) => rangeOf(made, given)),
      });
    });
}

/** Ends of the range and the patterns next to them often, since a random 64-bit mask would never match. */
function rangeOf({ bitLength }: Pick<Signal, 'bitLength'>, [any, wide, edge]: [bigint, boolean, number]): RawRange {
  const bits = BigInt(bitLength);
  const all = (1n << bits) - 1n;
  const from = [any & all, all, 0n, 1n << (bits - 1n), (1n << (bits - 1n)) - 1n][edge] as bigint;
  return { from, to: wide ? from + (all >> 3n) : from };
}

const arbitraryFrame: fc.Arbitrary<Frame> = fc.oneof(fc.integer({ min: 1, max: 8 }), fc.constantFrom(...fdLengths)).chain((lengthBytes) =>
  fc
    .integer({ min: 1, max: 6 })
    .chain((count) => fc.tuple(...Array.from({ length: count }, (_, i) => arbitrarySignal(i, lengthBytes))))
    .chain((signals) => fc.array(fc.nat(5), { minLength: 6, maxLength: 6 }).map((selectors) => withSelectors(signals, selectors)))
    .map((signals) => madeFrame({ lengthBytes, signals })),
);

/** Some signals depend on one before them, and on what that depends on: the resolved vehicle lists nested conditions whole. */
function withSelectors(signals: Signal[], selectors: number[]): Signal[] {
  const made: Signal[] = [];
  for (const [i, signal] of signals.entries()) {
    const selector = made[selectors[i] as number];
    const half = selector && 1n << BigInt(selector.bitLength - 1);
    const when = selector && half ? [...selector.when, { signal: selector.name, ranges: [{ from: half / 2n, to: half }] }] : [];
    made.push({ ...signal, when });
  }
  return made;
}

const arbitraryBytes = fc.oneof(
  fc.uint8Array({ minLength: 64, maxLength: 64 }),
  fc.constantFrom(0, 255, 0x80, 0x7f, 1).map((byte) => new Uint8Array(64).fill(byte)),
);

function decodeOne(frame: Frame, bytes: Uint8Array, lead: number): SlowSample[] {
  const batch = new FrameBatch(4);
  // Frames before it, so that its bytes lie at several places of the arena.
  for (let i = 0; i < lead; i++) batch.push(i, 0, 0x700, 0, new Uint8Array(64).fill(0xa5), 0, 8);
  batch.push(99, 0, 0x100, frame.fd ? 8 : 0, bytes, 0, frame.lengthBytes);
  const out = new SampleBatch(1);
  compileDecoder(madeVehicle([frame])).decode(batch, 0, batch.count, out);
  return Array.from({ length: out.count }, (_, i) => {
    const code = out.quality[i] as number;
    return {
      channel: out.channel[i] as number,
      value: hasValue(code) ? (out.value[i] as number) : null,
      quality: qualityNames[code] as SlowSample['quality'],
    };
  });
}

describe('the compiled decoder against a slow one in BigInt', () => {
  it('gives the same samples for thousands of random layouts and bytes', () => {
    fc.assert(
      fc.property(arbitraryFrame, arbitraryBytes, fc.nat(3), (frame, bytes, lead) => {
        madeVehicle([frame]);
        expect(decodeOne(frame, bytes, lead)).toEqual(slowDecode(frame, bytes.subarray(0, frame.lengthBytes)));
      }),
      { numRuns: 4000 },
    );
  });

  it('agrees on where bits lie with the reading bit by bit that explains a number', () => {
    fc.assert(
      fc.property(arbitrarySignal(0, 64), arbitraryBytes, (signal, bytes) => {
        const pattern = slowPattern(bytes, signal);
        const raw = signal.sign === 'signed' ? BigInt.asIntN(signal.bitLength, pattern) : pattern;
        expect(extractRaw(bytes, signal)).toBe(raw);
        expect(extractRaw(bytes.subarray(0, bytesNeeded(signal) - 1), signal)).toBeUndefined();
      }),
      { numRuns: 2000 },
    );
  });
});

type NativeDecode = (bytes: Buffer, offset: number, length: number, little: boolean, signed: boolean) => [low: number, high: number];

function loadNative(): NativeDecode | undefined {
  try {
    return (createRequire(import.meta.url)('socketcan/build/Release/can_signals.node') as { decodeSignal: NativeDecode }).decodeSignal;
  } catch {
    return undefined;
  }
}

describe('the compiled decoder against the native one of the socketcan package', () => {
  const native = loadNative();
  if (!native) console.warn('skipped: the optional package socketcan is not built here');

  it.skipIf(!native)('gives the same raw values for random signals of up to 32 bits', () => {
    const decode = native as NativeDecode;
    fc.assert(
      fc.property(
        fc.integer({ min: 1, max: 32 }),
        fc.nat(63),
        fc.boolean(),
        fc.boolean(),
        fc.uint8Array({ minLength: 8, maxLength: 8 }),
        (bitLength, place, little, signed, bytes) => {
          const from = place % (64 - bitLength + 1);
          const startBit = little ? from : (from & ~7) | (7 - (from & 7));
          const frame = madeFrame({
            signals: [
              madeSignal({
                name: 'one',
                startBit,
                bitLength,
                byteOrder: little ? 'little' : 'big',
                sign: signed ? 'signed' : 'unsigned',
              }),
            ],
          });
          // The native call counts a big-endian signal's place from the left.
          const [low] = decode(Buffer.from(bytes), from, bitLength, little, signed);
          expect(decodeOne(frame, bytes, 0)[0]?.value).toBe(signed ? low | 0 : low >>> 0);
        },
      ),
      { numRuns: 3000 },
    );
  });
});
