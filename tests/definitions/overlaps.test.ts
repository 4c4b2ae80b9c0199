// Overlaps and signals outside their frame, in random layouts, against a frame painted bit by bit.
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';

interface Layout {
  start: number;
  length: number;
  big: boolean;
}

/** Walks the bits one at a time: little upward from bit to bit and byte to byte, big downward in a byte and on at bit 7 of the next. */
function paint({ start, length, big }: Layout): Set<string> {
  const cells = new Set<string>();
  let byte = Math.floor(start / 8);
  let bit = start % 8;
  for (let k = 0; k < length; k++) {
    cells.add(`${byte}.${bit}`);
    bit += big ? -1 : 1;
    if (bit < 0 || bit > 7) {
      byte++;
      bit = big ? 7 : 0;
    }
  }
  return cells;
}

it('finds exactly the pairs that share a painted bit, and exactly the signals that leave the frame', () => {
  const layout = fc.record({ start: fc.nat(63), length: fc.integer({ min: 1, max: 40 }), big: fc.boolean() });
  fc.assert(
    fc.property(fc.array(layout, { minLength: 1, maxLength: 6 }), fc.integer({ min: 1, max: 8 }), (layouts, length) => {
      const signals = layouts.map(
        ({ start, length: bits, big }, i) =>
          `      - { name: s${i}, start_bit: ${start}, bit_length: ${bits}, byte_order: ${big ? 'big' : 'little'} }\n`,
      );
      const { problems } = parseVehicle([
        { path: 'vehicle.yaml', text: 'vehicle: Test\nbuses: { engine: { bit_rate: 500 kbit/s, devices: [box] } }\n' },
        {
          path: 'devices/box.yaml',
          text: `device: box\nframes:\n  - name: first\n    id: 1\n    length: ${length}\n    signals:\n${signals.join('')}`,
        },
      ]);
      const painted = layouts.map(paint);
      const pairs = painted.flatMap((cells, i) =>
        painted.slice(0, i).flatMap((earlier, j) => ([...cells].some((cell) => earlier.has(cell)) ? [`s${i} s${j}`] : [])),
      );
      const outside = painted.flatMap((cells, i) => ([...cells].some((cell) => Number(cell.split('.')[0]) >= length) ? [`s${i}`] : []));
      const said = (code: string, pattern: RegExp) =>
        problems.filter((problem) => problem.code === code).map(({ say }) => pattern.exec(say)?.slice(1).join(' '));
      expect(said('SIGNALS_OVERLAP', /'(s\d)' overlaps '(s\d)'/).sort()).toEqual(pairs.sort());
      expect(said('SIGNAL_OUTSIDE_FRAME', /'(s\d)' reaches/).sort()).toEqual(outside.sort());
      // Signal i stands in line 7 + i.
      expect(problems.every(({ say, line }) => line === 7 + Number(/'s(\d)'/.exec(say)?.[1]))).toBe(true);
    }),
    { numRuns: 300 },
  );
});
