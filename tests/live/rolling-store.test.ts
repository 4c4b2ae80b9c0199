// The rolling store against a plain list of samples: bins hold exactly what fell into them, at every width.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { quality } from '../../server/channels/quality.ts';
import { binHeld, binNone } from '../../server/contract/packet.ts';
import { binWidthUs, isBinWidth, RollingStore } from '../../server/live/rolling-store.ts';

interface Sample {
  timeUs: number;
  value: number;
  code: number;
}

/** What a bin must hold, from the list of all samples by the definition alone. */
function expectedBin(samples: readonly Sample[], widthUs: number, bin: number): { low: number; high: number; quality: number } {
  const inside = samples.filter(({ timeUs }) => Math.floor(timeUs / widthUs) === bin);
  const numbers = inside.filter(({ code }) => code <= 1).map(({ value }) => value);
  const before = samples.filter(({ timeUs }) => Math.floor(timeUs / widthUs) < bin);
  const last = before.reduce<Sample | undefined>((newest, one) => (newest && newest.timeUs > one.timeUs ? newest : one), undefined);
  const carried = last === undefined ? binNone : last.code <= 1 ? binHeld : last.code;
  return {
    low: Math.min(...numbers),
    high: Math.max(...numbers),
    quality: inside.length > 0 ? Math.max(...inside.map(({ code }) => code)) : carried,
  };
}

const widths = Array.from({ length: 10 }, (_, k) => 10_000 * 2 ** k);

function filled(samples: readonly Sample[]): RollingStore {
  const store = new RollingStore(2);
  for (const { timeUs, value, code } of samples) store.add(1, timeUs, value, code);
  return store;
}

describe('the rolling store', () => {
  it('holds in every bin of every width exactly what fell into it', () => {
    const sample = fc.record({
      gapUs: fc.oneof(fc.integer({ min: 0, max: 9_000 }), fc.integer({ min: 0, max: 400_000 })),
      value: fc.integer({ min: -50, max: 50 }),
      code: fc.constantFrom(0, 0, 0, 1, 2, 3, 4),
    });
    fc.assert(
      fc.property(fc.array(sample, { minLength: 1, maxLength: 60 }), fc.constantFrom(...widths), (steps, widthUs) => {
        let timeUs = 3_000_000;
        const samples = steps.map(({ gapUs, value, code }) => {
          timeUs += gapUs;
          return { timeUs, value, code };
        });
        const store = filled(samples);
        store.advance(timeUs + 100_000);
        const newest = store.binAt(widthUs);
        const first = Math.max(0, newest - 1000);
        const trace = store.bins(1, widthUs, first, newest - first + 1);
        for (let i = 0; i <= newest - first; i++) {
          const got = { low: trace.low[i], high: trace.high[i], quality: trace.quality[i] };
          expect(got, `bin ${first + i}`).toEqual(expectedBin(samples, widthUs, first + i));
        }
      }),
    );
  });

  it('puts a late sample into the bin of its time, and keeps the newest value', () => {
    const store = filled([
      { timeUs: 1_000_000, value: 10, code: quality.ok },
      { timeUs: 1_095_000, value: 30, code: quality.ok },
    ]);
    store.beginTick();
    store.add(1, 1_051_000, -5, quality.ok);
    expect(store.value[1]).toBe(30);
    expect(store.changedFromUs).toBe(1_051_000);
    const trace = store.bins(1, 10_000, 100, 10);
    expect([...trace.quality]).toEqual([0, binHeld, binHeld, binHeld, binHeld, 0, binHeld, binHeld, binHeld, 0]);
    expect(trace.low[5]).toBe(-5);
  });

  it('says of bins that are too old, not yet begun or before the first sample that nothing is known', () => {
    const store = filled([{ timeUs: 50_000_000, value: 1, code: quality.ok }]);
    store.add(1, 90_000_000, 2, quality.ok);
    expect([...store.bins(1, 10_000, 5000, 1).quality]).toEqual([binNone]);
    expect([...store.bins(1, 10_000, 9001, 1).quality]).toEqual([binNone]);
    expect([...store.bins(1, 40_000, 1249, 2).quality]).toEqual([binNone, quality.ok]);
    expect([...store.bins(0, 10_000, 0, 3).quality]).toEqual([binNone, binNone, binNone]);
  });

  it('keeps the stale apart from the held: no sample, and the value no longer stands', () => {
    const store = filled([
      { timeUs: 1_000_000, value: 7, code: quality.ok },
      { timeUs: 1_030_000, value: 0, code: quality.stale },
    ]);
    store.advance(1_059_999);
    expect([...store.bins(1, 10_000, 100, 6).quality]).toEqual([0, binHeld, binHeld, 4, 4, 4]);
    expect(store.quality[1]).toBe(quality.stale);
    expect(store.sampleTimeUs[1]).toBe(1_000_000);
  });

  it.each([
    { spanUs: 30_000_000, pixels: 600, widthUs: 80_000 },
    { spanUs: 10_000_000, pixels: 1000, widthUs: 10_000 },
    { spanUs: 60_000_000, pixels: 4096, widthUs: 40_000 },
    { spanUs: 3_600_000_000, pixels: 1000, widthUs: 5_120_000 },
    { spanUs: 1_000_000, pixels: 50, widthUs: 20_000 },
  ])('gives $spanUs us on $pixels pixels bins of $widthUs us', ({ spanUs, pixels, widthUs }) => {
    expect(binWidthUs(spanUs, pixels)).toBe(widthUs);
    expect(isBinWidth(widthUs)).toBe(true);
  });

  it('keeps fewer bins of very many channels, and gives a plot only a width that it holds', () => {
    const few = new RollingStore(100);
    const many = new RollingStore(2400);
    expect(few.widthFor(30_000_000, 1000)).toBe(40_000);
    expect(many.widthFor(30_000_000, 1000)).toBe(160_000);
    for (const store of [few, many]) {
      const widthUs = store.widthFor(30_000_000, 1000);
      for (let timeUs = 0; timeUs <= 60_000_000; timeUs += 40_000) store.add(0, timeUs, timeUs, quality.ok);
      const first = store.binAt(widthUs) - 30_000_000 / widthUs + 1;
      expect(store.bins(0, widthUs, first, 30_000_000 / widthUs).quality).not.toContain(binNone);
    }
  });

  it('refuses a width that it does not keep', () => {
    expect(isBinWidth(15_000)).toBe(false);
    expect(() => new RollingStore(1).bins(0, 15_000, 0, 1)).toThrow(RangeError);
  });

  it('keeps the extremes of a tick, and forgets them with the next', () => {
    const store = filled([
      { timeUs: 1_000, value: 5, code: quality.ok },
      { timeUs: 2_000, value: 9, code: quality.outOfRange },
      { timeUs: 3_000, value: 6, code: quality.ok },
      { timeUs: 4_000, value: -99, code: quality.fault },
    ]);
    expect([store.tickLow[1], store.tickHigh[1]]).toEqual([5, 9]);
    store.beginTick();
    expect((store.tickLow[1] as number) > (store.tickHigh[1] as number)).toBe(true);
  });
});
