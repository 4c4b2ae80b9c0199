// The merge: frames of several buses in one order, nobody waits long, and nothing is lost.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { Merge } from '../../server/bus/merge.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';

/** Frames of one bus; the id tells them apart. */
function frames(bus: number, ...timesMs: number[]): FrameBatch {
  const batch = new FrameBatch(4);
  for (const t of timesMs) batch.push(t * 1000, bus, t, 0, new Uint8Array(1), 0, 1);
  return batch;
}

class Taken {
  readonly frames: string[] = [];
  readonly marksMs: number[] = [];
  late = 0;
  readonly take = (input: PipelineInput): void => {
    if (input.kind === 'mark') this.marksMs.push(input.timeUs / 1000);
    if (input.kind === 'loss') this.late += input.count;
    if (input.kind !== 'frames') return;
    for (let i = 0; i < input.batch.count; i++) this.frames.push(`${input.batch.bus[i]}:${(input.batch.timeUs[i] as number) / 1000}`);
  };
}

describe('the merge', () => {
  it('orders by time and then by bus, up to the earliest watermark', () => {
    const merge = new Merge([0, 1]);
    const taken = new Taken();
    merge.add(1, frames(1, 2, 5, 9), 10_000);
    merge.add(0, frames(0, 3, 5), 6_000);
    merge.step(12_000, taken.take);
    expect(taken.frames).toEqual(['1:2', '0:3', '0:5', '1:5']);
    expect(taken.marksMs).toEqual([6]);
  });

  it('waits for a silent bus no longer than 20 ms', () => {
    const merge = new Merge([0, 1]);
    const taken = new Taken();
    merge.add(0, frames(0, 4), 5_000);
    merge.step(23_999, taken.take);
    expect(taken.frames).toEqual([]);
    merge.step(24_000, taken.take);
    expect(taken.frames).toEqual(['0:4']);
  });

  it('lets a frame that came too late through at once, before younger ones, and counts it', () => {
    const merge = new Merge([0, 1]);
    const taken = new Taken();
    merge.step(60_000, taken.take);
    merge.add(1, frames(1, 30, 45), 50_000);
    merge.add(0, frames(0, 44), 50_000);
    merge.step(62_000, taken.take);
    expect(taken.frames).toEqual(['1:30', '0:44', '1:45']);
    expect([taken.late, merge.lateFrames(1), merge.lateFrames(0)]).toEqual([1, 1, 0]);
  });

  it('lets time pass when nothing comes', () => {
    const merge = new Merge([0]);
    const taken = new Taken();
    merge.add(0, frames(0), 5_000);
    merge.step(6_000, taken.take);
    merge.step(100_000, taken.take);
    expect(taken.marksMs).toEqual([5, 80]);
  });

  it('waits for nobody when a bus has ended, and gives out all when all have', () => {
    const merge = new Merge([0, 1]);
    const taken = new Taken();
    merge.add(0, frames(0, 3, 8), 8_000);
    merge.end(1);
    merge.step(9_000, taken.take);
    expect(taken.frames).toEqual(['0:3', '0:8']);
    merge.add(1, frames(1, 500), 8_000);
    merge.end(0);
    merge.end(1);
    merge.step(9_500, taken.take);
    expect(taken.frames.at(-1)).toBe('1:500');
  });

  it('does not hold the frames of a file that runs ahead of the clock', () => {
    const merge = new Merge([0, 1]);
    const taken = new Taken();
    merge.add(0, frames(0, 5000), 5_000_000);
    merge.add(1, frames(1), 900);
    merge.step(2_000, taken.take);
    expect(taken.frames).toEqual([]);
    merge.step(22_000, taken.take);
    expect(taken.frames).toEqual(['0:5000']);
  });

  it('gives out every frame once, each bus in its own order, and never steps back with a mark', () => {
    const step = fc.record({ bus: fc.nat(2), times: fc.array(fc.nat(60), { maxLength: 4 }), pauseMs: fc.nat(30), ahead: fc.nat(5) });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 40 }), (steps) => {
        const merge = new Merge([0, 1, 2]);
        const taken = new Taken();
        const given: string[][] = [[], [], []];
        let nowMs = 0;
        for (const { bus, times, pauseMs, ahead } of steps) {
          nowMs += pauseMs;
          const timesMs = times.map((t) => Math.max(0, nowMs - t + ahead));
          given[bus]?.push(...timesMs.map((t) => `${bus}:${t}`));
          merge.add(bus, frames(bus, ...timesMs), nowMs * 1000);
          merge.step(nowMs * 1000, taken.take);
        }
        for (const bus of [0, 1, 2]) merge.end(bus);
        merge.step(nowMs * 1000, taken.take);
        for (const [bus, own] of given.entries()) expect(taken.frames.filter((frame) => frame.startsWith(`${bus}:`))).toEqual(own);
        expect(taken.marksMs).toEqual([...taken.marksMs].sort((a, b) => a - b));
      }),
    );
  });
});
