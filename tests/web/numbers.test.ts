import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { spreadLabels } from '../../web/plots/chart.ts';
import { toYRange } from '../../web/plots/y-range.ts';
import { toClockText, toCountText, toNumberText, toSignedText } from '../../web/shell/numbers.ts';

describe('numbers as pages write them', () => {
  it.each([
    [3.456, 2, '3.46'],
    [-3.456, 2, '−3.46'],
    [-0.4, 0, '0'],
    [0, 1, '0.0'],
    [1e6, 0, '1000000'],
  ])('writes %d with %d digits as %s', (value, digits, text) => {
    expect(toNumberText(value, digits)).toBe(text);
  });

  it.each([
    [12.3, '+12'],
    [-12.3, '−12'],
    [0.2, '0'],
    [-0.2, '0'],
  ])('writes the difference %d as %s', (value, text) => {
    expect(toSignedText(value, 0)).toBe(text);
  });

  it.each([
    [0, '0:00'],
    [75.9, '1:15'],
    [3700, '1:01:40'],
    [-5, '0:00'],
  ])('writes %d s as %s', (seconds, text) => {
    expect(toClockText(seconds)).toBe(text);
  });

  it('parts thousands by narrow spaces', () => {
    expect(toCountText(1234567)).toBe('1 234 567');
    expect(toCountText(999)).toBe('999');
  });
});

describe('the range of a plot', () => {
  it('has round ends', () => {
    expect(toYRange(undefined, 612, 748)).toEqual({ from: 600, to: 760, step: 40 });
  });

  it('stays while the data fits and fills it', () => {
    const before = { from: 600, to: 800, step: 50 };
    expect(toYRange(before, 640, 780)).toBe(before);
    expect(toYRange(before, 700, 705)).not.toBe(before);
    expect(toYRange(before, 640, 801)).not.toBe(before);
  });

  it('holds any data, with ends on its steps', () => {
    const value = fc.double({ min: -1e6, max: 1e6, noNaN: true });
    fc.assert(
      fc.property(value, value, (a, b) => {
        const [low, high] = [Math.min(a, b), Math.max(a, b)];
        const range = toYRange(undefined, low, high);
        expect(range.from).toBeLessThanOrEqual(low);
        expect(range.to).toBeGreaterThanOrEqual(high);
        expect(range.to).toBeGreaterThan(range.from);
        expect(Math.abs(range.from / range.step - Math.round(range.from / range.step))).toBeLessThan(1e-6);
      }),
      { verbose: true },
    );
  });
});

describe('names at the ends of lines', () => {
  it('never lie on each other while there is room, keep their order, and stay inside', () => {
    fc.assert(
      fc.property(fc.array(fc.double({ min: 0, max: 200, noNaN: true }), { minLength: 1, maxLength: 8 }), (places) => {
        const labels = places.map((y) => ({ y, at: y }));
        spreadLabels(labels, 0, 200);
        labels.forEach((label, i) => {
          expect(label.at).toBeGreaterThanOrEqual(0);
          expect(label.at).toBeLessThanOrEqual(200);
          const next = labels[i + 1];
          if (next) expect(next.at - label.at).toBeGreaterThanOrEqual(15 - 1e-9);
        });
      }),
      { verbose: true },
    );
  });
});
