// Staleness of signals that share a frame, and of those that come on some of its pages only.
import { describe, expect, it } from 'vitest';
import { silenceMaxUs } from '../../server/channels/staleness.ts';
import { madeFrame, madeSignal, madeVehicle, range } from '../codec/made-vehicle.ts';
import type { Words } from '../pipeline/made-engine.ts';
import { PipelineRun } from '../pipeline/pipeline-run.ts';

const on = (page: number) => [{ signal: 'page', ranges: [range(page)] }];

const paged = () =>
  madeVehicle([
    madeFrame({
      id: 0x10,
      periodUs: 100_000,
      signals: [
        madeSignal({ name: 'page' }),
        madeSignal({ name: 'first', startBit: 8, when: on(0) }),
        madeSignal({ name: 'second', startBit: 8, when: on(1) }),
        madeSignal({ name: 'also_second', startBit: 16, when: on(1) }),
      ],
    }),
  ]);

const page = (timeMs: number, which: number): Words => ({ timeUs: timeMs * 1000, id: 0x10, words: [which | 0x500, 7, 0, 0] });

const staleAt = (run: PipelineRun, channel: string) => run.of(channel).find((sample) => sample.quality === 'stale')?.timeUs;

describe('the longest silence', () => {
  it.each([
    [undefined, 1, 1_000_000],
    [10_000, 1, 100_000],
    [50_000, 1, 150_000],
    [1_000_000, 1, 3_000_000],
    [50_000, 4, 1_000_000],
    [100_000, 8, 2_400_000],
  ])('of a period of %s us with %d pages is %d us', (period, pages, silence) => {
    expect(silenceMaxUs(period, pages)).toBe(silence);
  });
});

describe('a frame with pages', () => {
  it('keeps the signals of a page alive while the pages come in turn', () => {
    const run = new PipelineRun(paged());
    for (let t = 0; t < 3000; t += 100) run.frames(page(t, (t / 100) % 2));
    for (const channel of ['page', 'first', 'second', 'also_second']) expect(staleAt(run, channel)).toBeUndefined();
  });

  it('lets the signals of a page go stale that comes no more, and only them', () => {
    const run = new PipelineRun(paged());
    run.frames(page(0, 1));
    for (let t = 100; t < 3000; t += 100) run.frames(page(t, 0));
    expect([staleAt(run, 'second'), staleAt(run, 'also_second')]).toEqual([1_000_000, 1_000_000]);
    expect([staleAt(run, 'page'), staleAt(run, 'first')]).toEqual([undefined, undefined]);
  });

  it('takes all pages down with the frame', () => {
    const run = new PipelineRun(paged());
    run.frames(page(0, 1), page(100, 0)).mark(5_000_000);
    for (const channel of ['page', 'first', 'second']) expect(staleAt(run, channel)).toBe(400_000);
  });
});
