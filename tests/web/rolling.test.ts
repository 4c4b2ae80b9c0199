import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { binHeld, binNone, emptyTrace, type PlotBins } from '../../server/contract/packet.ts';
import type { WindowView } from '../../server/contract/window.ts';
import type { Point } from '../../web/plots/chart.ts';
import { RollingBins } from '../../web/stream/rolling.ts';

const widthUs = 100_000;
const channel = 3;

/** Bins from `first` on: a number is a bin of that one value, a pair its low and high, a word its quality. */
type Bin = number | [low: number, high: number] | 'stale' | 'held' | 'none';
const codes = { stale: 4, held: binHeld, none: binNone } as const;

function toBins(first: number, bins: Bin[]): PlotBins {
  const trace = emptyTrace(channel, bins.length);
  bins.forEach((bin, i) => {
    if (typeof bin === 'string') {
      trace.quality[i] = codes[bin];
      return;
    }
    const [low, high] = typeof bin === 'number' ? [bin, bin] : bin;
    trace.low[i] = low;
    trace.high[i] = high;
    trace.quality[i] = 0;
  });
  return { plot: 1, widthUs, first, count: bins.length, traces: [trace] };
}

function toWindow(first: number, bins: Bin[]): WindowView {
  const [trace] = toBins(first, bins).traces;
  const numbers = (column: Float64Array | undefined) => Array.from(column ?? [], (value) => (Number.isFinite(value) ? value : null));
  const told = {
    channel: 'c',
    index: channel,
    unit: '',
    low: numbers(trace?.low),
    high: numbers(trace?.high),
    quality: [...(trace?.quality ?? [])],
  };
  return { epoch: 1, timeUs: 0, widthUs, first, count: bins.length, traces: [told] };
}

function pointsOf(rolling: RollingBins, from: number, to: number): [bin: number, y: number][] {
  const points: Point[] = [];
  rolling.toPoints(0, from, to, 0, points);
  return points.map(({ x, y }) => [Math.floor((x * 1e6) / widthUs), y]);
}

describe('the bins that a page holds of a rolling plot', () => {
  it('draws a bin as one point where low and high agree, and as two where they do not', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(10, [5, [4, 9]]));
    expect(pointsOf(rolling, 10, 12)).toEqual([
      [10, 5],
      [11, 4],
      [11, 9],
    ]);
  });

  it('breaks the line at a bin without a number, once, and not before the first point', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(0, ['none', 1, 'stale', 'stale', 2]));
    expect(pointsOf(rolling, 0, 5)).toEqual([
      [1, 1],
      [2, Number.NaN],
      [4, 2],
    ]);
  });

  it('draws on through bins in which the value before held, up to the newest', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(0, [7, 'held', 8, 'held', 'held']));
    expect(pointsOf(rolling, 0, 5)).toEqual([
      [0, 7],
      [2, 8],
      [4, 8],
    ]);
  });

  it('lets a packet replace the bin that was still growing', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(0, [1, 2]));
    rolling.applyPacket(toBins(1, [[2, 6], 3]));
    expect(pointsOf(rolling, 0, 3)).toEqual([
      [0, 1],
      [1, 2],
      [1, 6],
      [2, 3],
    ]);
  });

  it('knows its holes, fills them from a fetched stretch, and leaves alone what a packet gave', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(0, [1, 1]));
    rolling.applyPacket(toBins(5, [9]));
    // Bin 1 was still growing when the packets stopped.
    expect(rolling.holes()).toEqual([{ from: 1, to: 5 }]);
    rolling.fillHoles(toWindow(0, [100, [1, 2], 2, 3, 4, 100]));
    expect(rolling.holes()).toEqual([]);
    expect(pointsOf(rolling, 0, 6).map(([, y]) => y)).toEqual([1, 1, 2, 2, 3, 4, 9]);
  });

  it('asks for everything before its first packet that the plot could show', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(100, [1]));
    const [hole] = rolling.holes();
    expect(hole?.to).toBe(100);
    expect(hole?.from).toBeLessThanOrEqual(90);
  });

  it('never asks again for what nobody has', () => {
    const rolling = new RollingBins([channel], widthUs, 1_000_000);
    rolling.applyPacket(toBins(0, [1, 1]));
    rolling.applyPacket(toBins(5, [1]));
    rolling.giveUp({ from: 1, to: 5 });
    expect(rolling.holes()).toEqual([]);
    expect(pointsOf(rolling, 0, 6).map(([, y]) => y)).toEqual([1, Number.NaN, 1]);
  });

  it('gives the same points however the same bins were cut into packets', () => {
    const bin = fc.oneof(
      fc.integer({ min: -50, max: 50 }),
      fc.tuple(fc.integer({ min: -50, max: 0 }), fc.integer({ min: 1, max: 50 })),
      fc.constantFrom('stale' as const, 'held' as const, 'none' as const),
    );
    fc.assert(
      fc.property(fc.array(bin, { minLength: 1, maxLength: 40 }), fc.array(fc.nat(39), { maxLength: 6 }), (bins: Bin[], cuts) => {
        const whole = new RollingBins([channel], widthUs, 10_000_000);
        whole.applyPacket(toBins(0, bins));
        const cut = new RollingBins([channel], widthUs, 10_000_000);
        const places = [0, ...cuts.filter((at) => at < bins.length).sort((a, b) => a - b), bins.length];
        places.slice(1).forEach((to, i) => {
          const from = places[i] ?? 0;
          if (to > from) cut.applyPacket(toBins(from, bins.slice(from, to)));
        });
        expect(pointsOf(cut, 0, bins.length)).toEqual(pointsOf(whole, 0, bins.length));
      }),
      { verbose: true },
    );
  });
});
