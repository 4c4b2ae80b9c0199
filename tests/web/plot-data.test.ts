// What the Plots page makes of windows: lines broken at gaps, bad stretches, another axis, CSV; and what fingers and keys do.
import fc from 'fast-check';
import { describe, expect, it, vi } from 'vitest';
import type { WindowView } from '../../server/contract/window.ts';
import {
  extremesBetween,
  meanNear,
  parseChoices,
  toChoicesText,
  toCsv,
  toDataOver,
  toTraceData,
  valueAt,
} from '../../web/plots/plot-data.ts';
import { keyAct } from '../../web/plots/still-gestures.ts';
import { dragged, pinched } from '../../web/plots/stretch.ts';

type Bin = [low: number | null, high: number | null, code: number];

/** Bins of 100 ms from 10 s of session time on; the session begins at 9 s. */
function traceOf(bins: Bin[]) {
  const trace = {
    channel: 'a',
    index: 0,
    unit: 'K',
    low: bins.map(([low]) => low),
    high: bins.map(([, high]) => high),
    quality: bins.map(([, , code]) => code),
  };
  const window: WindowView = { epoch: 0, timeUs: 0, widthUs: 100_000, first: 100, count: bins.length, traces: [trace] };
  return toTraceData(window, trace, 9_000_000);
}

const y = (points: { y: number }[]) => points.map((point) => (Number.isNaN(point.y) ? 'gap' : point.y));

describe('a trace', () => {
  it('goes from the lowest to the highest of each bin, from the end that is nearer', () => {
    const { points, low, high } = traceOf([
      [1, 2, 0],
      [5, 9, 0],
      [3, 8, 0],
    ]);
    expect(y(points)).toEqual([1, 2, 5, 9, 8, 3]);
    expect(points[0]?.x).toBeCloseTo(1.05, 9);
    expect([low, high]).toEqual([1, 9]);
  });

  it('is broken where there was no number, and goes on over bins without a sample', () => {
    const { points } = traceOf([
      [1, 1, 0],
      [null, null, 5],
      [2, 2, 0],
      [null, null, 2],
      [null, null, 4],
      [3, 3, 0],
    ]);
    expect(y(points)).toEqual([1, 2, 'gap', 3]);
  });

  it('says where it was out of range and where it had no number, each run once', () => {
    const { badRuns } = traceOf([
      [null, null, 6],
      [1, 1, 0],
      [9, 9, 1],
      [9, 9, 1],
      [null, null, 3],
      [1, 1, 0],
      [null, null, 4],
    ]);
    expect(badRuns.map(({ kind, from, to }) => [kind, Number(from.toFixed(3)), Number(to.toFixed(3))])).toEqual([
      ['out', 1.2, 1.4],
      ['bad', 1.4, 1.5],
      ['bad', 1.6, 1.7],
    ]);
  });

  it('is undefined in a gap, and the newest value where nothing came', () => {
    const data = traceOf([
      [1, 1, 0],
      [null, null, 5],
      [null, null, 2],
    ]);
    expect(valueAt(data, 1.14, 10)).toBe(1);
    expect(valueAt(data, 1.25, 10)).toBeUndefined();
    expect(valueAt(data, 0.5, 10)).toBeUndefined();
  });
});

describe('a trace over engine speed', () => {
  const temperature = traceOf([
    [100, 100, 0],
    [110, 110, 0],
    [120, 120, 0],
    [130, 130, 0],
    [140, 140, 0],
  ]);
  const speed = traceOf([
    [1000, 1200, 0],
    [null, null, 5],
    [2000, 2000, 0],
    [null, null, 2],
    [null, null, 5],
  ]);

  it('has the middle of the speeds of each bin, holds where none came, and is broken where speed has no number', () => {
    const { points } = toDataOver(temperature, speed);
    expect(points.filter((point) => !Number.isNaN(point.y))).toEqual([
      { x: 1100, y: 100 },
      { x: 1100, y: 110 },
      { x: 2000, y: 120 },
    ]);
    expect(Number.isNaN(points.at(-1)?.y)).toBe(true);
  });

  it('has as its value at a speed the mean of the points there, and their extremes between two', () => {
    const over = toDataOver(temperature, speed);
    expect(meanNear(over, 1105, 10)).toBe(105);
    expect(meanNear(over, 1500, 10)).toBeUndefined();
    expect(extremesBetween(over, 1000, 1500)).toEqual({ low: 100, high: 110 });
    expect(extremesBetween(over, 3000, 4000)).toBeUndefined();
  });
});

describe('what is shown as CSV', () => {
  it('has a row a bin, with lowest, highest and worst quality; names with commas are quoted', () => {
    const a = traceOf([
      [1, 2, 0],
      [null, null, 5],
      [null, null, 4],
    ]);
    const b = traceOf([
      [null, null, 5],
      [7, 7, 1],
      [null, null, 5],
    ]);
    expect(
      toCsv([
        { name: 'a, of K', bins: a.bins },
        { name: 'b', bins: b.bins },
      ]),
    ).toBe(
      'seconds,"a, of K low","a, of K high","a, of K quality",b low,b high,b quality\n' +
        '1.000000,1,2,ok,,,\n1.100000,,,,7,7,out-of-range\n1.200000,,,stale,,,\n',
    );
  });
});

describe('the choices in the address', () => {
  it('come back as they went, and what can not be read is left out', () => {
    const choices = parseChoices('12:engine_speed,live:throttle,x:y,13:');
    expect(choices).toEqual([
      { session: 12, channel: 'engine_speed' },
      { session: 'live', channel: 'throttle' },
    ]);
    expect(toChoicesText(choices)).toBe('12:engine_speed,live:throttle');
  });
});

describe('fingers and keys', () => {
  const share = fc.double({ min: 0, max: 1, noNaN: true });

  it('keep what was under a finger under it', () => {
    fc.assert(
      fc.property(share, share, (start, now) => {
        const to = dragged({ from: 10, to: 30 }, start, now);
        expect(to.from + now * (to.to - to.from)).toBeCloseTo(10 + start * 20, 9);
        expect(to.to - to.from).toBeCloseTo(20, 9);
      }),
    );
  });

  it('keep what was under each of two fingers under it', () => {
    const apart = fc.tuple(share, share).filter(([a, b]) => Math.abs(a - b) > 0.05);
    fc.assert(
      fc.property(apart, apart, (start, now) => {
        const to = pinched({ from: 10, to: 30 }, start, now);
        for (const i of [0, 1] as const) expect(to.from + now[i] * (to.to - to.from)).toBeCloseTo(10 + start[i] * 20, 6);
      }),
    );
  });

  it.each([
    [{ key: 'ArrowRight', shiftKey: false }, 'onStretch', { from: 2, to: 22 }],
    [{ key: '-', shiftKey: true }, 'onStretch', { from: -2.5, to: 22.5 }],
    [{ key: 'Enter', shiftKey: false }, 'onPress', 10],
    [{ key: 'ArrowLeft', shiftKey: true }, 'onNudge', -0.2],
  ] as const)('%j calls %s', (key, name, expected) => {
    const asked = { stretch: { from: 0, to: 20 }, onStretch: vi.fn(), onPress: vi.fn(), onNudge: vi.fn() };
    keyAct(key, asked)?.();
    expect(asked[name]).toHaveBeenCalledExactlyOnceWith(expected);
  });

  it('leave other keys alone', () => {
    const asked = { stretch: { from: 0, to: 20 }, onStretch: vi.fn(), onPress: vi.fn(), onNudge: vi.fn() };
    expect(keyAct({ key: 'a', shiftKey: false }, asked)).toBeUndefined();
  });
});
