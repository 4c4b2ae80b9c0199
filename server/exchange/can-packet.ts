// The bytes of one CAN frame inside pcap and pcapng files of link type 227 (LINKTYPE_CAN_SOCKETCAN).
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';
import { isFdLength } from './text-line.ts';

/** Link type that both containers give to SocketCAN frames. */
export const linkTypeSocketCan = 227;

const extendedBit = 0x80000000;
const remoteBit = 0x40000000;
const errorBit = 0x20000000;
const classicFrameBytes = 16;
const fdFrameBytes = 72;
const headerBytes = 8;

/**
 * Adds the frame of a packet to the batch; says why not, or '' when it did.
 *
 *     0        4        5      6  7        8
 *     id, big- length   FD     –  length   data
 *     endian,           flags     code as
 *     bits 29…31: error, remote, extended  sent
 *
 * FD flags: 1 bit rate switch, 2 error state, 4 this is an FD frame; older writers leave 4 out and fill the frame to 72 bytes. Before
 * the flags were agreed on, those bytes of a classic frame were not cleared: captures are about with anything in them.
 * Source: https://www.tcpdump.org/linktypes/LINKTYPE_CAN_SOCKETCAN.html
 */
export function takePacket(bytes: Buffer, from: number, size: number, timeUs: number, bus: number, batch: FrameBatch): string {
  if (size < headerBytes) return `a packet of ${size} bytes is no CAN frame`;
  // Whole microseconds are exact up to the year 2255.
  if (!Number.isSafeInteger(timeUs) || timeUs < 0) return 'a time stamp that no clock gives';
  const word = bytes.readUInt32BE(from);
  const length = bytes[from + 4] as number;
  const fdBits = bytes[from + 5] as number;
  const fd = isFd(bytes, from, size);
  const remote = (word & remoteBit) !== 0;
  const error = (word & errorBit) !== 0;
  if (fd ? !isFdLength(length) : length > 8) return `a frame can't have ${length} bytes`;
  if (!remote && headerBytes + length > size) return `the packet holds fewer bytes than the frame's ${length}`;
  const extended = (word & extendedBit) !== 0;
  const id = word & 0x1fffffff;
  if (!extended && !error && id > 0x7ff) return 'an 11-bit id is above 7FF';
  let flags = error ? frameFlag.error : extended ? frameFlag.extended : 0;
  if (remote) flags |= frameFlag.remote;
  if (fd) {
    flags |= frameFlag.fd;
    if ((fdBits & 1) !== 0) flags |= frameFlag.bitRateSwitch;
    if ((fdBits & 2) !== 0) flags |= frameFlag.errorStateIndicator;
  }
  batch.push(timeUs, bus, id, flags, bytes, from + headerBytes, length);
  return '';
}

function isFd(bytes: Buffer, from: number, size: number): boolean {
  if (size === fdFrameBytes) return true;
  const flags = bytes[from + 5] as number;
  if ((flags & 4) === 0 || (flags & ~7) !== 0 || bytes[from + 6] !== 0 || bytes[from + 7] !== 0) return false;
  // A classic frame as the kernel hands it over, filled to 8 bytes of data.
  return !(size === classicFrameBytes && (bytes[from + 4] as number) < 8);
}
