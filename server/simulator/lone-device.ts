// Devices that nobody understands: one alone on its bus without an acknowledger, and one that talks at another bit rate.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { DeviceNode } from './device-node.ts';
import type { FrameSender } from './frame-sender.ts';
import type { Line, LineEvent } from './line.ts';
import type { Random } from './random.ts';
import type { Schedule } from './schedule.ts';

/** Attempts before a device is error-passive and its error flag no longer shows: its counter reaches 128 by eights. */
const activeAttempts = 16;
/** Attempts before a device is off the bus: 256 by eights. */
const attemptsToBusOff = 32;
/** What an error-passive device leaves between two tries beyond the frame: flag, delimiter, pause, and its wait. */
const passiveRetryBits = 17;
const activeRetryBits = 23;

/** Error flags at the acknowledge delimiter first, then one frame back to back; its other frames starve. */
export class LoneDevice implements LineEvent {
  dueUs = Number.POSITIVE_INFINITY;
  readonly priority = 0;
  private readonly line: Line;
  private readonly schedule: Schedule<LineEvent>;
  private sender: FrameSender | undefined;
  private bytes = new Uint8Array(0);
  private attempts = 0;

  constructor(line: Line, schedule: Schedule<LineEvent>) {
    this.line = line;
    this.schedule = schedule;
  }

  begin(node: DeviceNode, nowUs: number): void {
    if (this.sender || node.senders.length === 0) return;
    this.sender = node.senders.reduce((lowest, other) => (other.id < lowest.id ? other : lowest));
    this.bytes = this.sender.build(1).slice();
    this.attempts = 0;
    this.schedule.reschedule(this, Math.max(nowUs, this.line.endUs) + this.sender.wireUs);
  }

  end(): void {
    if (!this.sender) return;
    this.sender = undefined;
    this.schedule.reschedule(this, Number.POSITIVE_INFINITY);
  }

  fire(nowUs: number, batch: FrameBatch): void {
    const { sender, line } = this;
    if (!sender) return;
    const passive = this.attempts++ >= activeAttempts;
    if (passive) line.put(nowUs, sender.id, sender.flags, this.bytes, this.bytes.length, batch);
    else line.report(nowUs, 'unacknowledged', batch);
    this.schedule.reschedule(this, nowUs + sender.wireUs + line.toUs(passive ? passiveRetryBits : activeRetryBits));
  }
}

/**
 * A device at another bit rate: it spoils what it doesn't understand until it is error-passive, tries its own frames until it is off the
 * bus, waits, and starts again. None of its frames is ever heard.
 */
export class DeafDevice implements LineEvent {
  dueUs = Number.POSITIVE_INFINITY;
  readonly priority = 1;
  private readonly line: Line;
  private readonly schedule: Schedule<LineEvent>;
  private readonly random: Random;
  private attempts = 0;
  active = false;

  constructor(line: Line, schedule: Schedule<LineEvent>, random: Random) {
    this.line = line;
    this.schedule = schedule;
    this.random = random;
  }

  begin(nowUs: number): void {
    if (this.active) return;
    this.active = true;
    this.attempts = 0;
    this.line.spoilNext(activeAttempts, 'wrong bit rate');
    this.schedule.reschedule(this, nowUs + 1000);
  }

  end(): void {
    if (!this.active) return;
    this.active = false;
    this.schedule.reschedule(this, Number.POSITIVE_INFINITY);
  }

  fire(nowUs: number, batch: FrameBatch): void {
    if (nowUs <= this.line.endUs) {
      this.schedule.reschedule(this, this.line.endUs + 1);
      return;
    }
    this.line.report(nowUs, 'wrong bit rate', batch);
    this.attempts++;
    const off = this.attempts % attemptsToBusOff === 0;
    if (off) this.line.spoilNext(activeAttempts, 'wrong bit rate');
    const waitUs = off ? this.random.between(0.6e6, 1.5e6) : this.random.between(2_000, 9_000);
    this.schedule.reschedule(this, nowUs + Math.round(waitUs));
  }
}
