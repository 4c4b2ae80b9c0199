// Two sets of pulls compared: intervals against published and hand-worked examples, drift, order, and when there are not enough.
import { describe, expect, it } from 'vitest';
import { type ComparedPull, comparePulls, countNeeded } from '../../server/dyno/compare-pulls.ts';

const pull = (set: ComparedPull['set'], order: number, value: number, more: Partial<ComparedPull> = {}): ComparedPull => ({
  set,
  order,
  bands: new Map([[4000, value]]),
  ...more,
});

/** All of the first set, then all of the second. */
const inBlocks = (before: number[], after: number[]) => [
  ...before.map((value, i) => pull('before', i + 1, value)),
  ...after.map((value, i) => pull('after', before.length + i + 1, value)),
];

describe('the comparison of two sets', () => {
  it('gives the pooled interval of the sleep data of Student (1908), as statistics programs print it', () => {
    // Cushny and Peebles' ten and ten: difference of means 1.58, 95 % from -0.203874 to 3.363874, 18 degrees of freedom.
    const first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    const second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    const { all } = comparePulls(inBlocks(first, second), 0.5);
    expect(all?.difference).toBeCloseTo(1.58, 10);
    expect(all?.low).toBeCloseTo(-0.203874, 5);
    expect(all?.high).toBeCloseTo(3.363874, 5);
    expect(all?.freedom).toBe(18);
    expect(all?.verdict).toBe('not enough pulls to tell');
  });

  it.each([
    [2, 34],
    [3, 18],
    [4, 14],
  ])('of %i against as many that repeat to 8 K is good to ± %i K', (count, half) => {
    // Values about their mean whose sample deviation is 8.
    const unit = Array.from({ length: count }, (_, i) => i - (count - 1) / 2);
    const scale = 8 / Math.sqrt(unit.reduce((sum, value) => sum + value * value, 0) / (count - 1));
    const values = unit.map((value) => 700 + scale * value);
    const { all } = comparePulls(inBlocks(values, values), 15);
    expect(all?.repeat).toBeCloseTo(8, 10);
    expect(((all?.high as number) - (all?.low as number)) / 2).toBeGreaterThan(half - 0.6);
    expect(((all?.high as number) - (all?.low as number)) / 2).toBeLessThan(half + 0.6);
  });

  it('takes a straight drift out where the sets alternate: A 600 and 620 about B 640 differ by 30', () => {
    const found = comparePulls(
      [pull('before', 1, 600), pull('after', 2, 641), pull('after', 3, 649), pull('before', 4, 631), pull('before', 5, 639)],
      15,
    );
    // Level 590 + 10 a place; B stands 30 (31 less rounding of the made values) above it.
    expect(found.driftTakenOut).toBe(true);
    expect(found.all?.difference).toBeGreaterThan(26);
    expect(found.all?.difference).toBeLessThan(34);
  });

  it('proposes to go back when all of one set came first', () => {
    const { advice, driftTakenOut } = comparePulls(inBlocks([700, 704], [720, 722]), 15);
    expect(driftTakenOut).toBe(false);
    expect(advice.join(' ')).toMatch(/A-A-B-B.*A-B-A/);
  });

  it('says that one of each is not enough, and how many more would do', () => {
    const one = comparePulls(inBlocks([700], [740]), 15);
    expect(one.all).toMatchObject({ low: null, high: null, verdict: 'not enough pulls to tell' });
    expect(one.all?.difference).toBeCloseTo(40, 9);
    expect(one.pullsNeeded).toBeNull();
    expect(one.advice.join(' ')).toMatch(/two of each/);
    const two = comparePulls(inBlocks([696, 704], [706, 714]), 15);
    expect(two.all?.verdict).toBe('not enough pulls to tell');
    // Repeat 5.66 K: 3 of each give ± 12.8 K (2.776 × 5.66 × √(2/3)).
    expect(two.pullsNeeded).toBe(3);
    expect(two.advice.join(' ')).toMatch(/1 more of each/);
  });

  it('calls a difference that can not matter no difference', () => {
    expect(comparePulls(inBlocks([700, 701, 699], [702, 703, 701]), 15).all?.verdict).toBe('no difference');
    expect(comparePulls(inBlocks([700, 701, 699], [740, 741, 739]), 15).all?.verdict).toBe('higher');
    expect(comparePulls(inBlocks([740, 741, 739], [700, 701, 699]), 15).all?.verdict).toBe('lower');
  });

  it('compares by band, counts a pull once over all of them, and minds start temperatures', () => {
    const made = (set: ComparedPull['set'], order: number, at: [number, number][], startC: number): ComparedPull => ({
      set,
      order,
      bands: new Map(at),
      startC,
    });
    const found = comparePulls(
      [
        made(
          'before',
          1,
          [
            [4000, 600],
            [5000, 700],
          ],
          80,
        ),
        made(
          'before',
          2,
          [
            [4000, 602],
            [5000, 698],
          ],
          82,
        ),
        made(
          'after',
          3,
          [
            [4000, 600],
            [5000, 740],
          ],
          95,
        ),
        made(
          'after',
          4,
          [
            [4000, 602],
            [5000, 742],
            [6000, 800],
          ],
          97,
        ),
      ],
      15,
    );
    expect(found.bands.map(({ band, difference }) => [band, difference.toFixed(6)])).toEqual([
      [4000, '0.000000'],
      [5000, '42.000000'],
    ]);
    expect(found.all?.difference).toBeCloseTo(21, 9);
    expect(found.all?.freedom).toBe(2);
    expect(found.advice.join(' ')).toMatch(/81 °C before, 96 °C after/);
  });

  it('needs fewer pulls the better they repeat', () => {
    expect([1, 4, 8, 12].map((repeat) => countNeeded(repeat, 15))).toEqual([2, 3, 4, 7]);
  });
});
