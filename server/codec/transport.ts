// J1939 messages of more than 8 bytes, put together from the packets in which they travel. Only listens: it answers nothing.
import { FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import type { Frame, Vehicle } from '../definitions/vehicle.ts';
import { transportSilenceMaxMs, transportsMax } from '../limits.ts';

/** What became of messages in packets so far. */
export interface TransportCounts {
  /** Came whole. */
  complete: number;
  /** Lost a packet, fell silent, were begun anew before their end, or had no room. */
  incomplete: number;
  /** Called off by either side. */
  aborted: number;
  /** Packets that belong to no message under way: its beginning was not heard, or it was given up. */
  stray: number;
  /** Packets and announcements that can't be right. */
  malformed: number;
}

/** A message under way. */
interface Transfer {
  pgn: number;
  lengthBytes: number;
  packets: number;
  /** Number of the packet that must come next, from 1. */
  next: number;
  /** Packets that have come; more than `next` − 1 where the receiver asked for some of them again. */
  had: Uint8Array;
  bytes: Uint8Array;
  lastUs: number;
}

/** A transfer as JSON. */
export interface SavedTransfer {
  key: number;
  pgn: number;
  lengthBytes: number;
  next: number;
  had: number[];
  bytes: number[];
  lastUs: number;
}

const control = { request: 16, clear: 17, end: 19, broadcast: 32, abort: 255 } as const;
const everyone = 255;
/** PDU formats of the two groups. */
const [controlFormat, dataFormat] = [0xec, 0xeb];
const kindFlags = frameFlag.extended | frameFlag.fd | frameFlag.remote | frameFlag.error;
const packetBytes = 7;
const lengthMin = 9;
/** Priority of the id that a whole message is given: its packets don't tell the one that it would have had. */
const priority = 6;
const lengthMax = 255 * packetBytes;

/** What `isPacket` must leave alone because of this definition. */
function namedPackets({ id, pgn, extended, fd }: Frame): number[] {
  if (fd) return [];
  if (pgn === undefined) return extended && id !== undefined ? [id] : [];
  return [controlFormat, dataFormat].filter((format) => pgn >>> 8 === format).map((format) => -format);
}

/**
 * Transfers of all buses. Holds no clock: silence is measured by the frames' own times, so that reading again gives the same.
 *
 *     TP.CM  32  length (2)  packets  FF        group (3)   broadcast: the packets follow
 *            16  length (2)  packets  FF        group (3)   request to one address, which answers
 *            17  packets     next     FF FF     group (3)   clear to send, from packet `next` on
 *            19  length (2)  packets  FF        group (3)   all received
 *           255  reason      FF FF FF           group (3)   called off
 *     TP.DT  number from 1, then 7 bytes; the last one filled up with FF
 *
 * A broadcast is whole with its last packet, a message to one address with its receiver's "all received". Within a transfer packets
 * come in order; a broadcast that misses one is given up, since no one can ask for it again.
 * Source: SAE J1939-21 as a public decoder's tests and Linux's documentation have it; times from memory.
 */
export class Transport {
  readonly counts: TransportCounts = { complete: 0, incomplete: 0, aborted: 0, stray: 0, malformed: 0 };
  /** By bus, sender and receiver, the longest silent first. */
  private readonly transfers = new Map<number, Transfer>();
  /** By bus: whether a definition by `pgn` is there; where none is, nothing says that the bus speaks J1939. */
  private readonly speaks: boolean[];
  /** By bus: packets that the vehicle names as frames of their own, by id, or by group (its format, negative). */
  private readonly named: Set<number>[];
  /** The whole message as a batch of one, so that it goes where frames go; its length takes 16 bits. */
  private readonly whole = new FrameBatch(1, lengthMax + 7);

  constructor(vehicle: Pick<Vehicle, 'buses'>) {
    this.speaks = vehicle.buses.map((bus) => bus.frames.some((frame) => frame.pgn !== undefined));
    this.named = vehicle.buses.map((bus) => new Set(bus.frames.flatMap((frame) => namedPackets(frame))));
    this.whole.length = new Uint16Array(1);
  }

  /** Whether any bus speaks J1939. */
  get isNeeded(): boolean {
    return this.speaks.includes(true);
  }

  /**
   * Whether a frame is TP.CM (group 60416, 0xEC00) or TP.DT (60160, 0xEB00), from and to any address, on a bus that speaks J1939, and no
   * frame that the vehicle names.
   */
  isPacket(bus: number, id: number, flags: number): boolean {
    if ((flags & kindFlags) !== frameFlag.extended) return false;
    const format = (id >>> 16) & 0x3ff;
    if ((format !== controlFormat && format !== dataFormat) || this.speaks[bus] !== true) return false;
    const named = this.named[bus] as Set<number>;
    return named.size === 0 || !(named.has(id) || named.has(-format));
  }

  /** Messages begun and not ended. */
  get underWay(): number {
    return this.transfers.size;
  }

  /**
   * Takes frame `i`, for which `isPacket` holds. Gives the message that it completes as a batch of one frame, lent until the next call:
   * at this frame's time, with an id made of the group and the sender's address (priority 6, receiver left out).
   */
  take(frames: FrameBatch, i: number): FrameBatch | undefined {
    const timeUs = frames.timeUs[i] as number;
    const bus = frames.bus[i] as number;
    const id = frames.id[i] as number;
    const bytes = frames.bytesOf(i);
    const source = id & 0xff;
    const destination = (id >>> 8) & 0xff;
    const isData = ((id >>> 16) & 0xff) === dataFormat;
    const sender = !isData && bytes[0] === control.end ? destination : source;
    const transfer = isData
      ? this.takePacket(timeUs, keyOf(bus, source, destination), destination, bytes)
      : this.takeControl(timeUs, keyOf(bus, source, destination), keyOf(bus, destination, source), destination, bytes);
    return transfer && this.toBatch(timeUs, bus, sender, transfer);
  }

  save(): SavedTransfer[] {
    return [...this.transfers].map(([key, { pgn, lengthBytes, next, had, bytes, lastUs }]) => {
      return { key, pgn, lengthBytes, next, had: Array.from(had), bytes: Array.from(bytes), lastUs };
    });
  }

  restore(saved: readonly SavedTransfer[]): void {
    this.transfers.clear();
    for (const { key, pgn, lengthBytes, next, had, bytes, lastUs } of saved) {
      const transfer = { ...newTransfer(pgn, lengthBytes, lastUs), next };
      transfer.had.set(had);
      transfer.bytes.set(bytes);
      this.transfers.set(key, transfer);
    }
  }

  private takeControl(timeUs: number, there: number, back: number, destination: number, bytes: Uint8Array): Transfer | undefined {
    if (bytes.length < 8) {
      this.counts.malformed++;
      return undefined;
    }
    const [kind, first, second] = bytes as unknown as [number, number, number];
    const pgn = (bytes[5] as number) | ((bytes[6] as number) << 8) | ((bytes[7] as number) << 16);
    if (kind === control.broadcast || kind === control.request) this.begin(timeUs, there, destination, pgn, bytes);
    else if (kind === control.clear) this.resume(timeUs, back, pgn, first, second);
    else if (kind === control.end) return this.end(back, pgn, first | (second << 8));
    else if (kind === control.abort) this.abort(there, back, pgn);
    else this.counts.malformed++;
    return undefined;
  }

  private begin(timeUs: number, key: number, destination: number, pgn: number, bytes: Uint8Array): void {
    const lengthBytes = (bytes[1] as number) | ((bytes[2] as number) << 8);
    const fits = lengthBytes >= lengthMin && lengthBytes <= lengthMax && bytes[3] === Math.ceil(lengthBytes / packetBytes);
    if (!fits || (bytes[0] === control.broadcast) !== (destination === everyone)) {
      this.counts.malformed++;
      return;
    }
    this.giveUp(key);
    if (this.transfers.size >= transportsMax) this.giveUp(this.transfers.keys().next().value as number);
    this.transfers.set(key, newTransfer(pgn, lengthBytes, timeUs));
  }

  private takePacket(timeUs: number, key: number, destination: number, bytes: Uint8Array): Transfer | undefined {
    const transfer = this.find(key, timeUs);
    if (!transfer) {
      this.counts.stray++;
      return undefined;
    }
    const number = bytes[0] ?? 0;
    const from = (number - 1) * packetBytes;
    const held = Math.min(packetBytes, transfer.lengthBytes - from);
    if (number !== transfer.next || bytes.length < 1 + held) {
      if (number === transfer.next) this.counts.malformed++;
      this.giveUp(key);
      return undefined;
    }
    transfer.bytes.set(bytes.subarray(1, 1 + held), from);
    transfer.had[number - 1] = 1;
    transfer.next++;
    this.touch(key, transfer, timeUs);
    return destination === everyone && number === transfer.packets ? this.complete(key, transfer) : undefined;
  }

  /** The receiver says from which packet on it wants them; 0 packets asks for patience. */
  private resume(timeUs: number, key: number, pgn: number, packets: number, next: number): void {
    const transfer = this.find(key, timeUs);
    if (!transfer || transfer.pgn !== pgn) return;
    if (packets > 0 && next >= 1 && next <= transfer.packets) transfer.next = next;
    this.touch(key, transfer, timeUs);
  }

  private end(key: number, pgn: number, lengthBytes: number): Transfer | undefined {
    const transfer = this.transfers.get(key);
    if (!transfer || transfer.pgn !== pgn) return undefined;
    if (transfer.lengthBytes === lengthBytes && transfer.had.every((one) => one === 1)) return this.complete(key, transfer);
    this.giveUp(key);
    return undefined;
  }

  private abort(there: number, back: number, pgn: number): void {
    for (const key of [there, back]) {
      if (this.transfers.get(key)?.pgn !== pgn) continue;
      this.transfers.delete(key);
      this.counts.aborted++;
    }
  }

  private complete(key: number, transfer: Transfer): Transfer {
    this.transfers.delete(key);
    this.counts.complete++;
    return transfer;
  }

  private toBatch(timeUs: number, bus: number, source: number, { pgn, bytes, lengthBytes }: Transfer): FrameBatch {
    const { whole } = this;
    whole.clear();
    whole.push(timeUs, bus, ((priority << 26) | (pgn << 8) | source) >>> 0, frameFlag.extended, bytes, 0, lengthBytes);
    return whole;
  }

  /** The transfer under way, unless it has been silent for too long. */
  private find(key: number, timeUs: number): Transfer | undefined {
    const transfer = this.transfers.get(key);
    if (!transfer || timeUs - transfer.lastUs <= transportSilenceMaxMs * 1000) return transfer;
    this.giveUp(key);
    return undefined;
  }

  private touch(key: number, transfer: Transfer, timeUs: number): void {
    transfer.lastUs = timeUs;
    this.transfers.delete(key);
    this.transfers.set(key, transfer);
  }

  private giveUp(key: number): void {
    if (this.transfers.delete(key)) this.counts.incomplete++;
  }
}

function keyOf(bus: number, source: number, destination: number): number {
  return (bus << 16) | (source << 8) | destination;
}

function newTransfer(pgn: number, lengthBytes: number, lastUs: number): Transfer {
  const packets = Math.ceil(lengthBytes / packetBytes);
  return { pgn, lengthBytes, packets, next: 1, had: new Uint8Array(packets), bytes: new Uint8Array(lengthBytes), lastUs };
}
