// The line of one simulated bus: one frame at a time, what gets spoilt, and the listener's controller at the end of it.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Bus } from '../definitions/vehicle.ts';
import { type ErrorStory, ListenerController } from './listener-controller.ts';
import type { Random } from './random.ts';
import type { ScheduledEvent } from './schedule.ts';

/** Something that happens on a line by itself: a frame that is due, or a fault's own doing. */
export interface LineEvent extends ScheduledEvent {
  fire(nowUs: number, batch: FrameBatch): void;
}

const errorFrameBits = 23;
const spoiltMax = 200;

export class Line {
  readonly bus: Bus;
  /** End of the last thing on the line. */
  endUs = 0;
  private readonly controller: ListenerController;
  private spoilt = 0;
  private story: ErrorStory = 'noise';

  constructor(bus: Bus, random: Random) {
    this.bus = bus;
    this.controller = new ListenerController(random);
  }

  /** How long this many bits take, microseconds. */
  toUs(bits: number): number {
    return Math.ceil((bits * 1e6) / this.bus.bitRate);
  }

  /** A frame got through; its time is that of its end. */
  put(nowUs: number, id: number, flags: number, bytes: Uint8Array, length: number, batch: FrameBatch): void {
    batch.push(nowUs, this.bus.index, id, flags, bytes, 0, length);
    this.endUs = nowUs;
    this.controller.good();
  }

  /** Something on the line was no frame. */
  report(nowUs: number, story: ErrorStory, batch: FrameBatch): void {
    this.controller.report(batch, nowUs, this.bus.index, story);
    this.endUs = nowUs + this.toUs(errorFrameBits);
  }

  /** The next so many frames are spoilt and have to be sent again. */
  spoilNext(count: number, story: ErrorStory): void {
    this.spoilt = Math.min(spoiltMax, this.spoilt + count);
    this.story = story;
  }

  /** Spoils the frame that is ending now, if one is to be spoilt. */
  spoils(nowUs: number, batch: FrameBatch): boolean {
    if (this.spoilt === 0) return false;
    this.spoilt--;
    this.report(nowUs, this.story, batch);
    return true;
  }
}
