// The bytes between a reader process and the server: packets with a fixed header on a raw pipe, since structured messages cost four times the delay.
//
//     byte  0  u32  mark            'EVB1', so that a torn stream is noticed
//           4  u32  kind            1 frames (and watermark), 2 note (JSON)
//           8  u32  payload bytes   behind the header
//          12  u32  frames          of this packet
//          16  f64  watermark       session microseconds; no later frame is as old as this
//          24  f64  data taken      frames taken from the driver since the reader began, error frames apart
//          32  f64  errors taken    the same of error frames
//          40  f64  dropped         by the reader's bounded queue since it began
//          48  6 × f64  look        what the interface had counted as received and sent at one moment, -1 unknown, and how many data
//                                   and error frames of that time have been taken since, at most (2) and for sure (2)
//     payload of kind 1, n frames: f64 time[n], u32 id[n], u8 flags[n], u8 length[n], then the data arena
//
// Both ends run on one machine, so columns travel in its byte order.
import type { InterfaceCounters } from './can-interface.ts';
import { FrameBatch, frameFlag } from './frame-batch.ts';
import type { PortIdentity } from './serial-port.ts';

const mark = 0x31425645;
const headerBytes = 96;
const dataAlignBytes = 8;
const payloadBytesMax = 64 << 20;

/** Frames taken, error frames apart. */
export interface Taken {
  dataTaken: number;
  errorsTaken: number;
}

/** The interface's count at one moment, beside the frames of up to that moment that the reader has taken, as far as stamps can tell. */
export interface CountLook {
  /** -1 when not known. */
  received: number;
  sent: number;
  most: Taken;
  sure: Taken;
}

const nothing: Taken = { dataTaken: 0, errorsTaken: 0 };
export const noLook: CountLook = { received: -1, sent: 0, most: nothing, sure: nothing };

/** Running totals of one reader process. */
export interface ReaderTotals extends Taken {
  dropped: number;
  look: CountLook;
}

export interface FramesPacket extends ReaderTotals {
  kind: 'frames';
  batch: FrameBatch;
  watermarkUs: number;
}

/** An interface as it was just before the reader's socket was opened. */
export interface OpenedInterface extends InterfaceCounters {
  name: string;
  index: number;
}

/** What a reader says in words. */
export type ReaderNote =
  | { note: 'up'; detail: string; opened?: OpenedInterface; openedPort?: PortIdentity }
  | { note: 'down'; detail: string }
  | { note: 'adapter-loss'; count: number }
  | { note: 'status'; status: Record<string, unknown> }
  | { note: 'failed'; code: string; details: Record<string, string | number> };

export type ReaderPacket = FramesPacket | { kind: 'note'; note: ReaderNote };

/** One packet of frames (maybe none) as bytes. */
export function encodeFrames(batch: FrameBatch, watermarkUs: number, totals: ReaderTotals): Uint8Array {
  const n = batch.count;
  const payload = n * 14 + batch.dataEnd;
  const bytes = new Uint8Array(headerBytes + payload);
  const view = writeHeader(bytes, 1, payload);
  view.setUint32(12, n, true);
  view.setFloat64(16, watermarkUs, true);
  view.setFloat64(24, totals.dataTaken, true);
  view.setFloat64(32, totals.errorsTaken, true);
  view.setFloat64(40, totals.dropped, true);
  const { received, sent, most, sure } = totals.look;
  const look = [received, sent, most.dataTaken, most.errorsTaken, sure.dataTaken, sure.errorsTaken];
  for (const [k, value] of look.entries()) view.setFloat64(48 + 8 * k, value, true);
  let at = headerBytes;
  for (const column of [batch.timeUs, batch.id, batch.flags, batch.length]) {
    const used = n * column.BYTES_PER_ELEMENT;
    bytes.set(new Uint8Array(column.buffer, column.byteOffset, used), at);
    at += used;
  }
  bytes.set(batch.data.subarray(0, batch.dataEnd), at);
  return bytes;
}

/** One note as bytes. */
export function encodeNote(note: ReaderNote): Uint8Array {
  const text = new TextEncoder().encode(JSON.stringify(note));
  const bytes = new Uint8Array(headerBytes + text.length);
  writeHeader(bytes, 2, text.length);
  bytes.set(text, headerBytes);
  return bytes;
}

function writeHeader(bytes: Uint8Array, kind: number, payload: number): DataView {
  const view = new DataView(bytes.buffer);
  view.setUint32(0, mark, true);
  view.setUint32(4, kind, true);
  view.setUint32(8, payload, true);
  return view;
}

/** Puts packets together again from a pipe's chunks, which cut anywhere. */
export class PacketReader {
  private held: Uint8Array = new Uint8Array(0);
  private readonly bus: number;

  /** @param bus The bus that decoded frames belong to. */
  constructor(bus: number) {
    this.bus = bus;
  }

  /** All packets that `chunk` completes. Throws when the stream is torn; the reader process must then be replaced. */
  push(chunk: Uint8Array): ReaderPacket[] {
    this.held = this.held.length === 0 ? chunk : joined(this.held, chunk);
    const packets: ReaderPacket[] = [];
    let at = 0;
    for (;;) {
      const end = packetEnd(this.held, at);
      if (end === undefined || end > this.held.length) break;
      packets.push(decodePacket(this.held.subarray(at, end), this.bus));
      at = end;
    }
    this.held = this.held.slice(at);
    return packets;
  }
}

function joined(a: Uint8Array, b: Uint8Array): Uint8Array {
  const both = new Uint8Array(a.length + b.length);
  both.set(a);
  both.set(b, a.length);
  return both;
}

function packetEnd(bytes: Uint8Array, at: number): number | undefined {
  if (bytes.length - at < headerBytes) return undefined;
  const view = new DataView(bytes.buffer, bytes.byteOffset + at, headerBytes);
  const payload = view.getUint32(8, true);
  if (view.getUint32(0, true) !== mark || payload > payloadBytesMax) throw new Error("the reader's stream is torn");
  return at + headerBytes + payload;
}

function decodePacket(packet: Uint8Array, bus: number): ReaderPacket {
  const view = new DataView(packet.buffer, packet.byteOffset, headerBytes);
  const payload = packet.subarray(headerBytes);
  if (view.getUint32(4, true) === 2) return { kind: 'note', note: JSON.parse(new TextDecoder().decode(payload)) as ReaderNote };
  return {
    kind: 'frames',
    batch: decodeColumns(payload, view.getUint32(12, true), bus),
    watermarkUs: view.getFloat64(16, true),
    dataTaken: view.getFloat64(24, true),
    errorsTaken: view.getFloat64(32, true),
    dropped: view.getFloat64(40, true),
    look: {
      received: view.getFloat64(48, true),
      sent: view.getFloat64(56, true),
      most: { dataTaken: view.getFloat64(64, true), errorsTaken: view.getFloat64(72, true) },
      sure: { dataTaken: view.getFloat64(80, true), errorsTaken: view.getFloat64(88, true) },
    },
  };
}

function decodeColumns(payload: Uint8Array, n: number, bus: number): FrameBatch {
  const dataBytes = payload.length - n * 14;
  if (dataBytes < 0) throw new Error("the reader's stream is torn");
  const batch = new FrameBatch(Math.max(n, 1), Math.max(dataBytes, dataAlignBytes));
  let at = 0;
  for (const column of [batch.timeUs, batch.id, batch.flags, batch.length]) {
    const used = n * column.BYTES_PER_ELEMENT;
    new Uint8Array(column.buffer).set(payload.subarray(at, at + used));
    at += used;
  }
  batch.data.set(payload.subarray(at));
  batch.bus.fill(bus, 0, n);
  let offset = 0;
  for (let i = 0; i < n; i++) {
    batch.offset[i] = offset;
    const held = ((batch.flags[i] as number) & frameFlag.remote) !== 0 ? 0 : (batch.length[i] as number);
    offset += (held + dataAlignBytes - 1) & -dataAlignBytes;
  }
  if (offset !== dataBytes) throw new Error("the reader's stream is torn");
  batch.count = n;
  batch.dataEnd = offset;
  return batch;
}
