// The simulated listener's CAN controller: what a SocketCAN driver would report of the frames that were spoilt.
import { controllerState, errorClass, place, violation } from '../bus/error-frame.ts';
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { Random } from './random.ts';

const { form, stuff } = violation;

/** What spoilt a frame: each kind of trouble has its own mixture of error types and places. */
export type ErrorStory = 'noise' | 'reflection' | 'contact' | 'wrong bit rate' | 'unacknowledged' | 'collision';

const stories: Record<ErrorStory, [type: number, place: number][]> = {
  noise: [
    [stuff, place.data],
    [stuff, place.id12To5],
    [stuff, place.crc],
    [form, place.crcDelimiter],
  ],
  reflection: [
    [stuff, place.data],
    [stuff, place.data],
    [stuff, place.crc],
    [form, place.endOfFrame],
  ],
  contact: [
    [form, place.endOfFrame],
    [stuff, place.data],
    [form, place.crcDelimiter],
  ],
  'wrong bit rate': [
    [stuff, place.id28To21],
    [form, place.crcDelimiter],
    [stuff, place.id20To18],
    [stuff, place.lengthCode],
  ],
  unacknowledged: [[form, place.acknowledgeDelimiter]],
  collision: [
    [stuff, place.data],
    [form, place.data],
  ],
};

const warningFrom = 96;
const passiveFrom = 128;

/** The listener's controller: counts what it hears and reports its state as a driver does. */
export class ListenerController {
  private receiveErrors = 0;
  private state: 'active' | 'warning' | 'passive' = 'active';
  private readonly bytes = new Uint8Array(8);
  private readonly random: Random;

  constructor(random: Random) {
    this.random = random;
  }

  /** A good frame was heard. */
  good(): void {
    if (this.receiveErrors > 0) this.receiveErrors = Math.min(119, this.receiveErrors - 1);
    if (this.receiveErrors < warningFrom) this.state = 'active';
  }

  /** Reports one error, and a change of state that it brings. */
  report(batch: FrameBatch, timeUs: number, bus: number, story: ErrorStory): void {
    const kinds = stories[story];
    const [type, where] = kinds[Math.floor(this.random.between(0, kinds.length))] as [number, number];
    this.receiveErrors = Math.min(255, this.receiveErrors + (story === 'wrong bit rate' ? 4 : 1));
    this.push(batch, timeUs, bus, errorClass.protocol | errorClass.busError | errorClass.counters, 0, type, where);
    const state = this.receiveErrors >= passiveFrom ? 'passive' : this.receiveErrors >= warningFrom ? 'warning' : 'active';
    if (state !== this.state && state !== 'active') {
      const reported = state === 'passive' ? controllerState.receivePassive : controllerState.receiveWarning;
      this.push(batch, timeUs, bus, errorClass.controller | errorClass.counters, reported, 0, 0);
    }
    this.state = state;
  }

  private push(batch: FrameBatch, timeUs: number, bus: number, classes: number, controller: number, type: number, where: number): void {
    const { bytes } = this;
    bytes.fill(0);
    bytes[1] = controller;
    bytes[2] = type;
    bytes[3] = where;
    bytes[7] = this.receiveErrors;
    batch.push(timeUs, bus, classes, frameFlag.error, bytes, 0, 8);
  }
}
