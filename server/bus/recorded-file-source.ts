// A recorded file as live input again: its frames at the file's own pace, a multiple of it, or as fast as they can be taken.
import { setTimeout as sleep } from 'node:timers/promises';
import type { SessionClock } from '../clock.ts';
import type { BusChoice } from '../exchange/intake.ts';
import { openRecordedFile, type RecordedFile } from '../exchange/recorded-file.ts';
import { readerFlushIntervalMs } from '../limits.ts';
import { FrameBatch } from './frame-batch.ts';
import type { Source, SourceListener, Speed } from './source.ts';

export interface RecordedFileTarget {
  path: string;
  speed: Speed;
  /** All buses of the vehicle: with several, the interface names of the file say which frames are this bus's. */
  buses: BusChoice;
}

/** Frames that are handed over at once, so that a fast file leaves the server its turns. */
const framesATurn = 4096;

/**
 * Session time of a frame is the session time of the start plus the file's own distance from its first frame, whatever the speed: so
 * periods and rates are those of the recording. Order is the file's; a frame older than the one before takes that one's time.
 */
export class RecordedFileSource implements Source {
  readonly bus: number;
  readonly description: string;
  readonly stampQuality = 'file';
  private readonly target: RecordedFileTarget;
  private readonly clock: SessionClock;
  private readonly stopping = new AbortController();
  private readonly out = new FrameBatch(framesATurn);
  private running: Promise<void> | undefined;
  private startUs = 0;
  private baseUs: number | undefined;
  private lastUs = 0;
  private watermarkUs = -1;
  private moved = 0;

  constructor(bus: number, description: string, target: RecordedFileTarget, clock: SessionClock) {
    this.bus = bus;
    this.description = description;
    this.target = target;
    this.clock = clock;
  }

  start(listener: SourceListener): void {
    this.running = this.run(listener).catch((error: unknown) => {
      if (!this.stopping.signal.aborted) listener.failed(error instanceof Error ? error : new Error(String(error)));
    });
  }

  async stop(): Promise<void> {
    this.stopping.abort();
    await this.running;
  }

  private async run(listener: SourceListener): Promise<void> {
    const { path, buses } = this.target;
    const file = openRecordedFile(path, { buses, signal: this.stopping.signal });
    this.startUs = this.clock.nowUs();
    listener.state('up', `${path} is read`);
    for await (const batch of file) {
      // The first frame of any bus is the file's zero, so that two buses fed from one file stay together.
      this.baseUs ??= batch.timeUs[0] as number;
      let next = 0;
      while (next < batch.count) {
        next = this.give(batch, next, listener);
        await this.breathe();
      }
    }
    this.out.clear();
    listener.frames(this.out, Math.max(this.watermarkUs, this.lastUs));
    this.sayCounts(file, listener);
    listener.state('down', `${path} has ended`);
    listener.end();
  }

  /** Hands over this bus's frames from `next` on that are due; returns the first one that is not. */
  private give(batch: FrameBatch, next: number, listener: SourceListener): number {
    const dueUs = this.dueUs();
    const base = this.baseUs as number;
    this.out.clear();
    let i = next;
    for (; i < batch.count && i < next + framesATurn; i++) {
      const timeUs = this.startUs + (batch.timeUs[i] as number) - base;
      if (timeUs > dueUs) break;
      if (batch.bus[i] !== this.bus) continue;
      const floor = Math.max(this.lastUs, this.watermarkUs + 1);
      if (timeUs < floor) this.moved++;
      this.lastUs = Math.max(timeUs, floor);
      this.out.pushFrom(batch, i);
      this.out.timeUs[this.out.count - 1] = this.lastUs;
    }
    // All that is due has been given, or else there is more of the same time to come.
    const isDone = i === batch.count || this.startUs + (batch.timeUs[i] as number) - base > dueUs;
    this.watermarkUs = Math.max(
      this.watermarkUs,
      isDone && dueUs !== Number.POSITIVE_INFINITY ? this.promised(batch, i, dueUs) : this.lastUs - 1,
    );
    listener.frames(this.out, this.watermarkUs);
    return i;
  }

  /** With the batch at its end the next frame is not known yet, and may be due already. */
  private promised(batch: FrameBatch, next: number, dueUs: number): number {
    return next === batch.count ? this.lastUs - 1 : dueUs;
  }

  /** Session time up to which frames are due. */
  private dueUs(): number {
    const { speed } = this.target;
    if (speed === 'max') return Number.POSITIVE_INFINITY;
    return this.startUs + Math.floor((this.clock.nowUs() - this.startUs) * speed);
  }

  private async breathe(): Promise<void> {
    if (this.target.speed === 'max') await new Promise((resolve) => setImmediate(resolve));
    else await sleep(readerFlushIntervalMs, undefined, { signal: this.stopping.signal });
    this.stopping.signal.throwIfAborted();
  }

  private sayCounts(file: RecordedFile, listener: SourceListener): void {
    const { malformed, malformedNamed, unmatched } = file.counts;
    const notes: string[] = [];
    const first = malformedNamed[0];
    if (malformed > 0)
      notes.push(`${malformed} parts of the file are no frame${first ? `, the first at ${first.unit} ${first.at}: ${first.why}` : ''}.`);
    if (this.moved > 0) notes.push(`${this.moved} frames are older than the one before them in the file, and were given its time.`);
    for (const [name, count] of unmatched) notes.push(`${count} frames of interface ${name} belong to no bus of the vehicle.`);
    const status = { device: this.target.path, stampQuality: this.stampQuality, errorFrames: {}, readerRestarts: 0 } as const;
    listener.status?.({ ...status, malformedLines: malformed, notes });
  }
}
