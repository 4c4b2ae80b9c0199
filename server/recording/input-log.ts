// A stretch of pipeline inputs in memory, in the order in which they were taken: what a slice of the record is made from and read to.
import { FrameBatch } from '../bus/frame-batch.ts';
import type { PipelineInput } from '../pipeline-input.ts';

/** An input that isn't a batch of frames. */
export type OtherInput = Exclude<PipelineInput, { kind: 'frames' }>;

/** Takes inputs one frame at a time: what decoding a journal or a slice calls. */
export interface InputVisitor {
  frame(timeUs: number, bus: number, id: number, flags: number, bytes: Uint8Array, from: number, length: number): void;
  other(input: OtherInput): void;
}

const framesPerBatchMax = 4096;

/** Frames and other inputs, and where the others stand among the frames. Batches are not kept apart: where one is cut means nothing. */
export class InputLog implements InputVisitor {
  readonly frames: FrameBatch;
  readonly others: OtherInput[] = [];
  /** `others[i]` came after this many frames. */
  readonly othersAt: number[] = [];

  constructor(framesMax = 1024) {
    this.frames = new FrameBatch(framesMax);
  }

  get count(): number {
    return this.frames.count + this.others.length;
  }

  take(input: PipelineInput): void {
    if (input.kind !== 'frames') {
      this.other(input);
      return;
    }
    for (let i = 0; i < input.batch.count; i++) this.frames.pushFrom(input.batch, i);
  }

  frame(timeUs: number, bus: number, id: number, flags: number, bytes: Uint8Array, from: number, length: number): void {
    this.frames.push(timeUs, bus, id, flags, bytes, from, length);
  }

  other(input: OtherInput): void {
    this.others.push(input);
    this.othersAt.push(this.frames.count);
  }

  /**
   * The inputs in order, frames in batches between the others, from frame `fromFrame` and other input `fromOther` on. Each batch is
   * valid until the next step.
   */
  *inputs(fromFrame = 0, fromOther = 0): Generator<PipelineInput> {
    const batch = new FrameBatch();
    let at = fromFrame;
    for (let o = fromOther; o <= this.others.length; o++) {
      const end = o < this.others.length ? (this.othersAt[o] as number) : this.frames.count;
      while (at < end) {
        batch.clear();
        const stop = Math.min(end, at + framesPerBatchMax);
        for (; at < stop; at++) batch.pushFrom(this.frames, at);
        yield { kind: 'frames', batch };
      }
      const other = this.others[o];
      if (other) yield other;
    }
  }
}
