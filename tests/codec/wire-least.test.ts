// The least time of a frame on the wire: what definitions alone can say of a bus's load.
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import { wireSeconds, wireSecondsMin } from '../../server/codec/wire-length.ts';

it.each([
  // 47 bits and 8 a byte with an 11-bit id, 67 and 8 a byte with 29 bits (the published constants without their stuffing term).
  [0, 8, 500_000, 222e-6],
  [0, 0, 1_000_000, 47e-6],
  [frameFlag.extended, 8, 250_000, 524e-6],
])('is without stuff bits (flags %i, %i bytes, %i bit/s)', (flags, length, bitRate, seconds) => {
  expect(wireSecondsMin(flags, length, bitRate, undefined)).toBeCloseTo(seconds, 12);
});

it('is never above what a frame takes', () => {
  const bytes = fc.uint8Array({ minLength: 64, maxLength: 64 });
  const length = fc.constantFrom(0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64);
  fc.assert(
    fc.property(bytes, length, fc.nat(0x1fffffff), fc.boolean(), fc.boolean(), (data, wanted, id, extended, fd) => {
      const flags = (extended ? frameFlag.extended : 0) | (fd ? frameFlag.fd | frameFlag.bitRateSwitch : 0);
      const count = fd ? wanted : Math.min(8, wanted);
      const taken = wireSeconds(extended ? id : id & 0x7ff, flags, data, count, 500_000, 2_000_000);
      expect(wireSecondsMin(flags, count, 500_000, 2_000_000)).toBeLessThanOrEqual(taken + 1e-12);
    }),
  );
});
