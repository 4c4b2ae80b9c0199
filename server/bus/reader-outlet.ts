// The reader process's way out: gathers frames, flushes every 5 ms even when empty, and bounds what a slow server makes it hold.
import { readerFlushIntervalMs, readerQueueMaxS } from '../limits.ts';
import { type CountLook, encodeFrames, encodeNote, noLook, type ReaderNote } from './batch-wire.ts';
import { FrameBatch, frameFlag } from './frame-batch.ts';

/** The writing end of the pipe, as much of it as is used here. */
export interface Pipe {
  write(bytes: Uint8Array, done: () => void): void;
}

/** What a driver needs to hand frames over. */
export interface FrameTaker {
  /** Session time of the bus's last frame: the next is not older. */
  readonly floorUs: number;
  frame(timeUs: number, id: number, flags: number, bytes: Uint8Array, length: number): void;
  note(note: ReaderNote): void;
  /** The interface's counters at one moment, and how much of them has been taken since. */
  looked(look: CountLook): void;
}

const queueUs = readerQueueMaxS * 1_000_000;
/** Frames a packet, so that none grows without bound after a stall. */
const packetFramesMax = 8192;
const slackMinUs = 1000;
/** What the merge waits (20 ms) less a flush. */
const slackMaxUs = 15_000;
const slackDecay = 0.9;

export class ReaderOutlet implements FrameTaker {
  private readonly pipe: Pipe;
  private readonly nowUs: () => number;
  private pending = new FrameBatch(1024);
  private readonly notes: ReaderNote[] = [];
  private writing = 0;
  private watermarkUs = -1;
  private slackUs = slackMinUs;
  private lastFrameUs = -1;
  private dataTaken = 0;
  private errorsTaken = 0;
  private dropped = 0;
  private look = noLook;
  /** The end waits for this. */
  private finished: (() => void) | undefined;

  constructor(pipe: Pipe, nowUs: () => number) {
    this.pipe = pipe;
    this.nowUs = nowUs;
  }

  get floorUs(): number {
    return Math.max(this.lastFrameUs, 0);
  }

  frame(timeUs: number, id: number, flags: number, bytes: Uint8Array, length: number): void {
    if ((flags & frameFlag.error) !== 0) this.errorsTaken++;
    else this.dataTaken++;
    this.lastFrameUs = timeUs;
    // A watermark must trail by as much as frames are late in coming, else they would be late in the merge.
    this.slackUs = Math.max(this.slackUs, Math.min(slackMaxUs, this.nowUs() - timeUs + slackMinUs));
    if (this.pending.count > 0 && timeUs - (this.pending.timeUs[0] as number) > queueUs) {
      this.dropped++;
      return;
    }
    this.pending.push(timeUs, 0, id, flags, bytes, 0, length);
  }

  note(note: ReaderNote): void {
    this.notes.push(note);
    this.pass();
  }

  looked(look: CountLook): void {
    this.look = look;
  }

  /** Sends what there is; `behind` says that the driver knows of frames it hasn't taken yet, and so holds the watermark back. */
  flush(behind: boolean): void {
    const promised = behind ? this.lastFrameUs - 1 : this.nowUs() - Math.round(this.slackUs);
    this.watermarkUs = Math.max(this.watermarkUs, promised);
    this.slackUs = Math.max(slackMinUs, this.slackUs * slackDecay);
    this.pass();
  }

  /** Sends all that is held, however many packets it takes and however slow the server is; resolves when the pipe has it. */
  finish(): Promise<void> {
    return new Promise((resolve) => {
      this.finished = resolve;
      this.flush(false);
    });
  }

  /** One packet of frames and then the notes; nothing while the pipe is still busy with the last, so that the wait is here, where it is bounded. */
  private pass(): void {
    if (this.writing > 0) return;
    const batch = this.pending;
    const isWhole = batch.count <= packetFramesMax;
    if (!isWhole) this.pending = cut(batch, packetFramesMax);
    // More waits behind this packet: only the last one may promise the watermark.
    const watermark = isWhole ? this.watermarkUs : (batch.timeUs[batch.count - 1] as number) - 1;
    const packets = [encodeFrames(batch, watermark, this.totals())];
    this.look = noLook;
    if (isWhole) {
      // What is encoded is copied, so the batch serves again.
      batch.clear();
      packets.push(...this.notes.map(encodeNote));
      this.notes.length = 0;
    }
    this.writing += packets.length;
    for (const packet of packets) this.pipe.write(packet, () => this.written());
  }

  private written(): void {
    this.writing--;
    if (this.writing > 0) return;
    if (this.pending.count > 0 || this.notes.length > 0 || (this.finished && this.look !== noLook)) this.pass();
    else this.finished?.();
  }

  private totals() {
    const { dataTaken, errorsTaken, dropped, look } = this;
    return { dataTaken, errorsTaken, dropped, look };
  }

  /** Flushes every 5 ms, after the driver had its turn; `beforeFlush` says whether it is behind. Returns what stops it. */
  run(beforeFlush: () => boolean): () => void {
    // The timer comes before the poll phase of a turn and the immediate behind it: frames that had arrived are taken first.
    const timer = setInterval(() => setImmediate(() => this.flush(beforeFlush())), readerFlushIntervalMs);
    return () => clearInterval(timer);
  }
}

/** Cuts `batch` to its first `n` frames and returns the rest. */
function cut(batch: FrameBatch, n: number): FrameBatch {
  const rest = new FrameBatch(Math.max(1024, batch.count - n));
  for (let i = n; i < batch.count; i++) rest.pushFrom(batch, i);
  batch.dataEnd = batch.offset[n] as number;
  batch.count = n;
  return rest;
}
