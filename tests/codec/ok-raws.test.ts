// The short cut of the decoder must never let a sample pass as ok that the plain rules would judge otherwise.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { allRaws, findOkRaws, type OkRaws } from '../../server/codec/ok-raws.ts';
import type { Signal } from '../../server/definitions/vehicle.ts';
import { madeSignal, range } from './made-vehicle.ts';

describe('raw values that are plainly ok', () => {
  // By hand from value = raw × factor + offset.
  it.each<[string, Partial<Signal>, OkRaws | undefined]>([
    ['all that the bits hold where nothing is said', { bitLength: 8 }, { from: 0, to: 255, holes: [] }],
    ['both signs', { bitLength: 8, sign: 'signed' }, { from: -128, to: 127, holes: [] }],
    ['all 32 bits', { bitLength: 32 }, { from: 0, to: 4_294_967_295, holes: [] }],
    [
      'below the fault, the not available one and the limit',
      { bitLength: 12, fault: [range(4095)], notAvailable: [range(4094)], factor: 0.1, max: 400 },
      { from: 0, to: 4000, holes: [] },
    ],
    ['between limits with an offset', { bitLength: 16, factor: 0.1, offset: -50, min: -50, max: 1250 }, { from: 0, to: 13_000, holes: [] }],
    ['turned round by a negative factor', { bitLength: 8, factor: -1, offset: 100, min: 0, max: 90 }, { from: 10, to: 100, holes: [] }],
    ['both sides of a fault in the middle', { bitLength: 8, fault: [range(100)] }, { from: 0, to: 255, holes: [{ from: 100, to: 100 }] }],
    [
      'one hole for two that touch',
      { bitLength: 8, fault: [range(100)], notAvailable: [range(101, 103)] },
      { from: 0, to: 255, holes: [{ from: 100, to: 103 }] },
    ],
    ['less where two touch an end', { bitLength: 8, fault: [range(0, 3)], notAvailable: [range(4)] }, { from: 5, to: 255, holes: [] }],
    [
      'around the pattern 0xFF of a signed one, which is −1',
      { bitLength: 8, sign: 'signed', fault: [range(255)] },
      { from: -128, to: 127, holes: [{ from: -1, to: -1 }] },
    ],
    ['none where all is outside', { bitLength: 8, min: 300 }, undefined],
    ['none where a constant is outside', { bitLength: 8, factor: 0, offset: 5, max: 4 }, undefined],
    ['none for a float', { bitLength: 32, sign: 'float' }, undefined],
    ['none for more than 32 bits', { bitLength: 33 }, undefined],
    ['none that a factor takes beyond a double', { bitLength: 32, factor: 1e308 }, undefined],
  ])('%s', (_, signal, expected) => {
    expect(findOkRaws(madeSignal({ name: 'one', ...signal }))).toEqual(expected);
  });

  it('are exactly those that are ok by the plain rules, over random limits, factors and faults', () => {
    const decimal = fc.integer({ min: -2000, max: 2000 }).map((thousandths) => thousandths / 1000);
    const made = fc.record({
      bitLength: fc.integer({ min: 1, max: 10 }),
      sign: fc.constantFrom('unsigned' as const, 'signed' as const),
      factor: decimal,
      offset: decimal,
      min: fc.option(fc.integer({ min: -600, max: 600 }), { nil: undefined }),
      max: fc.option(fc.integer({ min: -600, max: 600 }), { nil: undefined }),
      faults: fc.array(fc.integer({ min: 0, max: 1023 }), { maxLength: 3 }),
    });
    fc.assert(
      fc.property(made, ({ min, max, faults, ...rest }) => {
        const fault = faults.map((raw) => range(raw % 2 ** rest.bitLength));
        const limits = { ...(min === undefined ? {} : { min }), ...(max === undefined ? {} : { max }) };
        const signal = madeSignal({ name: 'one', ...rest, ...limits, fault });
        const isOk = (raw: number): boolean => {
          const pattern = raw < 0 ? raw + 2 ** rest.bitLength : raw;
          const value = raw * rest.factor + rest.offset;
          return !faults.some((f) => f % 2 ** rest.bitLength === pattern) && value >= (min ?? -Infinity) && value <= (max ?? Infinity);
        };
        const found = findOkRaws(signal);
        const isFound = (raw: number): boolean =>
          found !== undefined && raw >= found.from && raw <= found.to && !found.holes.some(({ from, to }) => raw >= from && raw <= to);
        const all = allRaws(signal);
        for (let raw = all.from; raw <= all.to; raw++) expect(isFound(raw)).toBe(isOk(raw));
      }),
      { verbose: 1 },
    );
  });
});
