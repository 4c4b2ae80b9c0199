// Error frames as a SocketCAN driver reports them: class bits in the id, details in eight bytes. Source: Linux include/uapi/linux/can/error.h.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { Random } from './random.ts';

const controllerClass = 0x004;
const protocolClass = 0x008;
const busErrorClass = 0x080;
const countersClass = 0x200;

const form = 0x02;
const stuff = 0x04;

/** Places in a frame (data[3]). */
const place = {
  idHigh: 0x02,
  idMiddle: 0x06,
  idLow: 0x0f,
  lengthCode: 0x0b,
  data: 0x0a,
  crc: 0x08,
  crcDelimiter: 0x18,
  ackDelimiter: 0x1b,
  endOfFrame: 0x1a,
};

/** What spoilt a frame: each kind of trouble has its own mixture of error types and places. */
export type ErrorStory = 'noise' | 'reflection' | 'contact' | 'wrong bit rate' | 'unacknowledged' | 'collision';

const stories: Record<ErrorStory, [type: number, place: number][]> = {
  noise: [
    [stuff, place.data],
    [stuff, place.idLow],
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
    [stuff, place.idHigh],
    [form, place.crcDelimiter],
    [stuff, place.idMiddle],
    [stuff, place.lengthCode],
  ],
  unacknowledged: [[form, place.ackDelimiter]],
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
    this.push(batch, timeUs, bus, protocolClass | busErrorClass | countersClass, 0, type, where);
    const state = this.receiveErrors >= passiveFrom ? 'passive' : this.receiveErrors >= warningFrom ? 'warning' : 'active';
    if (state !== this.state && state !== 'active')
      this.push(batch, timeUs, bus, controllerClass | countersClass, state === 'passive' ? 0x10 : 0x04, 0, 0);
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
