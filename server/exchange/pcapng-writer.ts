// Writes frames as pcapng: one interface of link type 227 a bus, microseconds.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { linkTypeSocketCan } from './can-packet.ts';
import { blockType, byteOrderMagic, optionCode } from './pcapng.ts';

const blockFrameBytes = 12;
const packetHeaderBytes = 20;
const canHeaderBytes = 8;
const dataBytesMax = 64;
const extendedBit = 0x80000000;
const remoteBit = 0x40000000;
const errorBit = 0x20000000;
const fdFrameFlag = 4;
const twoTo32 = 2 ** 32;

export class PcapngWriter {
  private readonly names: string[];

  /** @param names Interface name of each bus. */
  constructor(names: string[]) {
    this.names = names;
  }

  begin(): Buffer {
    return Buffer.concat([sectionHeader(), ...this.names.map(interfaceDescription)]);
  }

  frames(batch: FrameBatch): Buffer {
    const out = Buffer.alloc(batch.count * (blockFrameBytes + packetHeaderBytes + canHeaderBytes + dataBytesMax));
    let at = 0;
    for (let i = 0; i < batch.count; i++) at = writePacket(out, at, batch, i);
    return out.subarray(0, at);
  }
}

function sectionHeader(): Buffer {
  const body = Buffer.alloc(16);
  body.writeUInt32LE(byteOrderMagic, 0);
  body.writeUInt16LE(1, 4);
  // Length of the section: not given.
  body.writeBigInt64LE(-1n, 8);
  return block(blockType.section, body);
}

function interfaceDescription(name: string): Buffer {
  const head = Buffer.alloc(8);
  head.writeUInt16LE(linkTypeSocketCan, 0);
  head.writeUInt32LE(canHeaderBytes + dataBytesMax, 4);
  const microseconds = Buffer.from([6]);
  return block(
    blockType.interface,
    Buffer.concat([
      head,
      option(optionCode.interfaceName, Buffer.from(name, 'utf8')),
      option(optionCode.timeResolution, microseconds),
      option(optionCode.end, Buffer.alloc(0)),
    ]),
  );
}

function option(code: number, value: Buffer): Buffer {
  const bytes = Buffer.alloc(4 + ((value.length + 3) & -4));
  bytes.writeUInt16LE(code, 0);
  bytes.writeUInt16LE(value.length, 2);
  value.copy(bytes, 4);
  return bytes;
}

function block(type: number, body: Buffer): Buffer {
  const bytes = Buffer.alloc(blockFrameBytes + body.length);
  bytes.writeUInt32LE(type, 0);
  bytes.writeUInt32LE(bytes.length, 4);
  body.copy(bytes, 8);
  bytes.writeUInt32LE(bytes.length, bytes.length - 4);
  return bytes;
}

/** One enhanced packet block at `at`; returns where the next begins. `out` is zeros from there on. */
function writePacket(out: Buffer, at: number, batch: FrameBatch, i: number): number {
  const flags = batch.flags[i] as number;
  const length = batch.length[i] as number;
  const held = (flags & frameFlag.remote) !== 0 ? 0 : length;
  const packet = canHeaderBytes + held;
  const size = blockFrameBytes + packetHeaderBytes + ((packet + 3) & -4);
  const timeUs = batch.timeUs[i] as number;
  out.writeUInt32LE(blockType.enhancedPacket, at);
  out.writeUInt32LE(size, at + 4);
  out.writeUInt32LE(batch.bus[i] as number, at + 8);
  out.writeUInt32LE(Math.floor(timeUs / twoTo32), at + 12);
  out.writeUInt32LE(timeUs % twoTo32, at + 16);
  out.writeUInt32LE(packet, at + 20);
  out.writeUInt32LE(packet, at + 24);
  out.writeUInt32BE((batch.id[i] as number) + idBits(flags), at + 28);
  out[at + 32] = length;
  out[at + 33] = fdBits(flags);
  const from = batch.offset[i] as number;
  out.set(batch.data.subarray(from, from + held), at + 36);
  out.writeUInt32LE(size, at + size - 4);
  return at + size;
}

function idBits(flags: number): number {
  if ((flags & frameFlag.error) !== 0) return errorBit;
  return ((flags & frameFlag.extended) !== 0 ? extendedBit : 0) + ((flags & frameFlag.remote) !== 0 ? remoteBit : 0);
}

function fdBits(flags: number): number {
  if ((flags & frameFlag.fd) === 0) return 0;
  return fdFrameFlag | ((flags & frameFlag.bitRateSwitch) !== 0 ? 1 : 0) | ((flags & frameFlag.errorStateIndicator) !== 0 ? 2 : 0);
}
