// Frames that no described device sends: a second talker on an id, or an id that nobody described.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { Fault, FaultBoard } from './fault.ts';
import type { FrameSender } from './frame-sender.ts';
import type { Line, LineEvent } from './line.ts';
import type { Random } from './random.ts';
import type { Schedule } from './schedule.ts';

/** It has power with the key, and boots in its own time. */
const bootUs = { least: 80_000, most: 950_000 };

export class Intruder implements LineEvent {
  dueUs = Number.POSITIVE_INFINITY;
  readonly priority: number;
  private readonly line: Line;
  private readonly schedule: Schedule<LineEvent>;
  private readonly faults: FaultBoard;
  private readonly fault: Fault;
  private readonly random: Random;
  private readonly flags: number;
  private readonly bytes: Uint8Array;
  private readonly periodUs: number;
  private readonly wireUs: number;

  /** @param twin The frame that it also sends; without one it sends the fault's own id. */
  constructor(line: Line, schedule: Schedule<LineEvent>, faults: FaultBoard, fault: Fault, twin: FrameSender | undefined, random: Random) {
    this.line = line;
    this.schedule = schedule;
    this.faults = faults;
    this.fault = fault;
    this.random = random;
    this.priority = twin?.id ?? fault.id ?? 0;
    this.flags = twin?.flags ?? (this.priority > 0x7ff ? frameFlag.extended : 0);
    this.bytes = twin
      ? twin.bytes.map((byte, i) => (byte + 37 + 11 * i) & 0xff)
      : Uint8Array.from({ length: 8 }, () => random.bits() & 0xff);
    this.periodUs = twin ? (twin.frame.periodUs ?? 1e6) : fault.amount * 1000;
    this.wireUs = line.toUs(60 + 9 * this.bytes.length);
  }

  begin(nowUs: number): void {
    this.schedule.reschedule(this, nowUs + Math.round(this.random.between(bootUs.least, bootUs.most)));
  }

  end(): void {
    this.schedule.reschedule(this, Number.POSITIVE_INFINITY);
  }

  /** It sends nothing: its fault is over, or the key is off. */
  get over(): boolean {
    return this.dueUs === Number.POSITIVE_INFINITY;
  }

  fire(nowUs: number, batch: FrameBatch): void {
    if (!this.faults.of(this.fault.kind).includes(this.fault)) {
      this.end();
      return;
    }
    if (nowUs < this.line.endUs + this.wireUs) {
      this.schedule.reschedule(this, this.line.endUs + this.wireUs);
      return;
    }
    const last = this.bytes.length - 1;
    if (last >= 0) this.bytes[last] = ((this.bytes[last] as number) + 1) & 0xff;
    if (!this.line.spoils(nowUs, batch)) this.line.put(nowUs, this.priority, this.flags, this.bytes, this.bytes.length, batch);
    this.schedule.reschedule(this, nowUs + Math.round(this.periodUs * this.random.between(0.998, 1.003)));
  }
}
