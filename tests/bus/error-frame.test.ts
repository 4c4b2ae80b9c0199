// Error frames in words, by the table of the Linux header. tests/socketcan sends the same ones through a kernel.
import { describe, expect, it } from 'vitest';
import { countByKind, isFault, isFraming, isUnacknowledged, kindsOf, toErrorFrame } from '../../server/bus/error-frame.ts';
import table from '../fixtures/linux-error-frames.json' with { type: 'json' };

const read = (id: number, data: string) => toErrorFrame(0, id, Buffer.from(data, 'hex'));

describe('an error frame', () => {
  it.each(table.frames)('$constant is named', ({ id, data, words }) => {
    expect(kindsOf(read(id, data))).toEqual(words);
  });

  it('has a name of its own in each bit: no two of them are taken for the same', () => {
    const single = table.frames.filter(({ words }) => words.length === 1).map(({ words }) => words[0]);
    expect(new Set(single).size).toBe(single.length);
  });

  it('is read where a driver gives fewer than eight bytes', () => {
    expect(kindsOf(read(0x008, '0000'))).toEqual(['protocol error, unspecified']);
  });

  it.each([
    ['lost arbitration is normal', 0x002, '0500000000000000', false],
    ['a restart is a recovery', 0x100, '', false],
    ['counters alone tell nothing new', 0x200, '', false],
    ['back to active is a recovery', 0x004, '0040000000000000', false],
    ['error-passive is one', 0x004, '0010000000000000', true],
    ['bus-off is one', 0x040, '', true],
    ['a violation with counters is one', 0x288, '0000040A00000010', true],
  ])('is a fault or not: %s', (_, id, data, expected) => {
    expect(isFault(read(id, data))).toBe(expected);
  });

  it('tells nobody acknowledged from a frame that broke', () => {
    expect(isUnacknowledged(read(0x020, ''))).toBe(true);
    expect(isUnacknowledged(read(0x088, '0000021B00000000'))).toBe(true);
    expect(isFraming(read(0x088, '0000021B00000000'))).toBe(false);
    expect(isFraming(read(0x088, '0000040A00000000'))).toBe(true);
  });

  it('is counted by kind, the most frequent first, with the time of the first', () => {
    const errors = [
      ...[5, 6].map((timeUs) => toErrorFrame(timeUs, 0x040, new Uint8Array(8))),
      ...[1, 2, 3].map((timeUs) => toErrorFrame(timeUs, 0x020, new Uint8Array(8))),
    ];
    expect(countByKind(errors)).toEqual([
      { what: 'nobody acknowledged', count: 3, firstUs: 1 },
      { what: 'bus-off', count: 2, firstUs: 5 },
    ]);
  });
});
