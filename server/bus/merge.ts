// Orders the frames of several buses by time and bus: waits for the slowest bus, but never longer than 20 ms.
import { mergeWaitMaxMs } from '../limits.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import { FrameBatch } from './frame-batch.ts';

/** Frames of one bus that wait for their turn. */
interface Queue {
  bus: number;
  /** Frames from `next` on; the source's own order is kept whatever their times. */
  frames: FrameBatch;
  next: number;
  /** At which step the frames up to an index were first waiting, oldest first; those that went out are dropped. */
  arrivals: { upTo: number; atUs: number }[];
  /** No later frame of this bus is as old as this, or older; -Infinity before the first batch. */
  watermarkUs: number;
  ended: boolean;
  /** Frames that came when their time was already over. */
  late: number;
}

/**
 *     bus 0   ──x──────x───x──▌          ▌ watermark: nothing older will come
 *     bus 1   ────x──▌
 *     out     ──x─x──▌                    up to the earliest watermark, or to 20 ms before now
 *
 * No frame waits longer than 20 ms from its arrival either, which matters where a recorded file runs ahead of the clock. A frame that
 * comes behind what went out is late: it goes out with the next batch, before younger ones, and is counted.
 */
export class Merge {
  private readonly queues: Queue[];
  /** Everything up to this time has been given out. */
  private horizonUs = Number.NEGATIVE_INFINITY;

  constructor(buses: readonly number[]) {
    this.queues = buses.map((bus) => ({
      bus,
      frames: new FrameBatch(64),
      next: 0,
      arrivals: [],
      watermarkUs: Number.NEGATIVE_INFINITY,
      ended: false,
      late: 0,
    }));
  }

  /** Takes a copy of a bus's frames. `watermarkUs`: no later one will be as old as this, or older. */
  add(bus: number, batch: FrameBatch, watermarkUs: number): void {
    const queue = this.queueOf(bus);
    for (let i = 0; i < batch.count; i++) queue.frames.pushFrom(batch, i);
    queue.watermarkUs = Math.max(queue.watermarkUs, watermarkUs);
    queue.ended = false;
  }

  /** The bus will give no more: nobody waits for it. */
  end(bus: number): void {
    this.queueOf(bus).ended = true;
  }

  /** Late frames of a bus so far. */
  lateFrames(bus: number): number {
    return this.queueOf(bus).late;
  }

  /** Gives out what is in order by now: one batch of frames, what was late among them, and a mark. The batch is the taker's to keep. */
  step(nowUs: number, take: (input: PipelineInput) => void): void {
    for (const { frames, arrivals } of this.queues) if (frames.count > 0) arrivals.push({ upTo: frames.count, atUs: nowUs });
    const waitedUs = nowUs - mergeWaitMaxMs * 1000;
    const horizonUs = Math.max(this.horizonUs, waitedUs, this.liveWatermarkUs(), this.waitedTooLongUs(waitedUs));
    this.giveOut(this.queues.every((queue) => queue.ended) ? Math.max(horizonUs, this.newestWaitingUs()) : horizonUs, take);
  }

  private giveOut(horizonUs: number, take: (input: PipelineInput) => void): void {
    const batch = this.takeOut(horizonUs, take);
    if (batch.count > 0) take({ kind: 'frames', batch });
    this.horizonUs = horizonUs;
    if (horizonUs >= 0) take({ kind: 'mark', timeUs: horizonUs });
  }

  private queueOf(bus: number): Queue {
    const queue = this.queues.find((one) => one.bus === bus);
    if (!queue) throw new Error(`bus ${bus} is not merged`);
    return queue;
  }

  /** The earliest watermark of buses that still give frames; -Infinity when none does. */
  private liveWatermarkUs(): number {
    const live = this.queues.filter((queue) => !queue.ended);
    return live.length === 0 ? Number.NEGATIVE_INFINITY : Math.min(...live.map((queue) => queue.watermarkUs));
  }

  /** All frames up to the horizon, by time and then by bus. */
  private takeOut(horizonUs: number, take: (input: PipelineInput) => void): FrameBatch {
    const out = new FrameBatch(Math.max(1, this.waitingCount()));
    const lateBefore = this.queues.map((queue) => queue.late);
    for (let queue = this.firstUpTo(horizonUs); queue; queue = this.firstUpTo(horizonUs)) {
      if ((queue.frames.timeUs[queue.next] as number) <= this.horizonUs) queue.late++;
      out.pushFrom(queue.frames, queue.next++);
    }
    for (const [i, queue] of this.queues.entries()) {
      const count = queue.late - (lateBefore[i] as number);
      if (count > 0) take({ kind: 'loss', timeUs: Math.max(0, this.horizonUs), bus: queue.bus, place: 'late', count });
      compact(queue);
    }
    return out;
  }

  private waitingCount(): number {
    return this.queues.reduce((sum, queue) => sum + queue.frames.count - queue.next, 0);
  }

  /** The queue whose head goes out next; undefined when none is due. A bus whose order goes back in time keeps its order. */
  private firstUpTo(horizonUs: number): Queue | undefined {
    let first: Queue | undefined;
    let firstUs = Number.POSITIVE_INFINITY;
    for (const queue of this.queues) {
      if (queue.next >= queue.frames.count) continue;
      const headUs = queue.frames.timeUs[queue.next] as number;
      if (headUs > horizonUs || headUs > firstUs) continue;
      if (headUs < firstUs || (first && queue.bus < first.bus)) {
        first = queue;
        firstUs = headUs;
      }
    }
    return first;
  }

  private newestWaitingUs(): number {
    return Math.max(...this.queues.map(({ frames, next }) => newestUs(frames, next, frames.count)));
  }

  /** Newest time among the frames that came at `arrivedUs` or before and still wait. */
  private waitedTooLongUs(arrivedUs: number): number {
    let latestUs = Number.NEGATIVE_INFINITY;
    for (const { frames, next, arrivals } of this.queues) {
      let upTo = next;
      for (const arrival of arrivals) if (arrival.atUs <= arrivedUs) upTo = Math.max(upTo, arrival.upTo);
      latestUs = Math.max(latestUs, newestUs(frames, next, upTo));
    }
    return latestUs;
  }
}

/** Newest time of some frames, which may be none. */
function newestUs({ timeUs }: FrameBatch, from: number, to: number): number {
  let latestUs = Number.NEGATIVE_INFINITY;
  for (let i = from; i < to; i++) latestUs = Math.max(latestUs, timeUs[i] as number);
  return latestUs;
}

/** Forgets frames that went out. */
function compact(queue: Queue): void {
  const { frames, next } = queue;
  queue.next = 0;
  queue.arrivals = queue.arrivals.filter(({ upTo }) => upTo > next).map(({ upTo, atUs }) => ({ upTo: upTo - next, atUs }));
  if (next === frames.count) {
    frames.clear();
    return;
  }
  const rest = new FrameBatch(Math.max(64, frames.count - next));
  for (let i = next; i < frames.count; i++) rest.pushFrom(frames, i);
  queue.frames = rest;
}
