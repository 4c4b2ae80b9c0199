// How many bits a frame takes on the wire, stuff bits counted from its own bits, and how long they last.
import { frameFlag } from '../bus/frame-batch.ts';

/*
 * Classic frame, bits; everything up to the end of the CRC is stuffed:
 *
 *     standard  SOF 1, id 11, RTR 1, IDE 1, r0 1, DLC 4                        = 19, data 8n, CRC 15 | delimiter, ACK slot and
 *     extended  SOF 1, id 11, SRR 1, IDE 1, id 18, RTR 1, r1 1, r0 1, DLC 4    = 39, data 8n, CRC 15 | delimiter 3, EOF 7, pause 3
 *
 * FD frame; stuffed up to the end of the data, then fixed stuff bits inside the CRC field:
 *
 *     standard  SOF 1, id 11, RRS 1, IDE 1, FDF 1, res 1, BRS 1 = 17 | ESI 1, DLC 4, data 8n, CRC field 28 or 33 | ACK 2, EOF 7, pause 3
 *     extended  SOF 1, id 11, SRR 1, IDE 1, id 18, RRS 1, FDF 1, res 1, BRS 1 = 36 | the same
 *
 * Source: ISO 11898-1 as in Linux include/linux/can/length.h. CRC-15 polynomial 0x4599 over the unstuffed bits before it.
 */

const tailBits = 1 + 1 + 1 + 7 + 3;
const crcBits = 15;
const fdTailBits = 1 + 1 + 7 + 3;
/** Stuff count 4, CRC 17 or 21, fixed stuff bits 6 or 7, delimiter 1. */
const fdShortCrcFieldBits = 28;
const fdLongCrcFieldBits = 33;
const fdShortCrcBytesMax = 16;

const crcTable = new Uint16Array(256);
for (let byte = 0; byte < 256; byte++) {
  let crc = byte << 7;
  for (let bit = 0; bit < 8; bit++) crc = ((crc << 1) ^ ((crc & 0x4000) !== 0 ? 0x4599 : 0)) & 0x7fff;
  crcTable[byte] = crc;
}

/**
 * Stuffing as a machine of nine states: 0 before the first bit, then 1 + 4 × bit + (run − 1) for a run of 1 to 4 equal bits. The fifth
 * equal bit brings a stuff bit, with which the opposite run begins. `stuffTables[n]` takes n bits at once: index state << 8 | bits,
 * entry next state << 8 | stuff bits, so that the sum of all entries has all stuff bits in its low byte (128 at most, in 64 bytes).
 */
const states = 9;
const stateBits = 0xf00;
const countBits = 0xff;
const stuffTables = Array.from({ length: 9 }, (_, bits) => makeStuffTable(bits));

function makeStuffTable(bits: number): Uint16Array {
  const table = new Uint16Array(states << 8);
  for (let start = 0; start < states; start++) {
    for (let value = 0; value < 1 << bits; value++) {
      let state = start;
      let stuffed = 0;
      for (let i = bits - 1; i >= 0; i--) {
        const bit = (value >> i) & 1;
        const sameRun = state > 0 && (state - 1) >> 2 === bit ? ((state - 1) & 3) + 1 : 0;
        if (sameRun === 4) {
          stuffed++;
          state = 1 + 4 * (1 - bit);
        } else state = 1 + 4 * bit + sameRun;
      }
      table[(start << 8) | value] = (state << 8) | stuffed;
    }
  }
  return table;
}

const table1 = stuffTables[1] as Uint16Array;
const table3 = stuffTables[3] as Uint16Array;
const table4 = stuffTables[4] as Uint16Array;
const table5 = stuffTables[5] as Uint16Array;
const table7 = stuffTables[7] as Uint16Array;
const table8 = stuffTables[8] as Uint16Array;

/** Data length code of an FD frame; of a classic one it is the length itself. */
function lengthCode(length: number): number {
  if (length <= 8) return length;
  if (length <= 24) return 6 + length / 4;
  return length === 32 ? 13 : length === 48 ? 14 : 15;
}

/**
 * Bits of a frame on the wire, from start of frame to the end of the three-bit pause behind it.
 *
 * @param flags As `frameFlag`. An error frame gives 0: what the controller reports is not a frame on the wire.
 * @param bytes Data, beginning at `from`; not read for remote frames.
 * @param length Data length in bytes; for remote frames the length asked for.
 * Worked: 0x014 with byte 01 is 58 bits, 3 of them stuffed. Source: docs/decoding.md, "Length on the wire".
 */
export function wireBits(id: number, flags: number, bytes: Uint8Array, length: number, from = 0): number {
  if ((flags & frameFlag.error) !== 0) return 0;
  if ((flags & frameFlag.fd) !== 0) {
    const split = fdBits(id, flags, bytes, length, from);
    return (split >>> 16) + (split & 0xffff);
  }
  const extended = (flags & frameFlag.extended) !== 0;
  const remote = (flags & frameFlag.remote) !== 0 ? 1 : 0;
  const end = remote === 1 ? from : from + length;
  const control = (remote << 6) | (length & 15);
  // The header's first 3 or 7 bits, and its other 16 or 32. Zeros in front don't change a CRC-15, so it may take the first as a byte.
  const head = extended ? id >>> 23 : id >>> 9;
  const rest = extended ? (((id >>> 18) & 31) << 27) | (3 << 25) | ((id & 0x3ffff) << 7) | control : (id << 7) | control;
  let entry = ((extended ? table7 : table3) as Uint16Array)[head] as number;
  let stuffed = entry;
  let crc = crcTable[head] as number;
  for (let shift = extended ? 24 : 8; shift >= 0; shift -= 8) {
    const byte = (rest >>> shift) & 255;
    entry = table8[(entry & stateBits) | byte] as number;
    stuffed += entry;
    crc = ((crc << 8) ^ (crcTable[((crc >> 7) ^ byte) & 255] as number)) & 0x7fff;
  }
  for (let i = from; i < end; i++) {
    const byte = bytes[i] as number;
    entry = table8[(entry & stateBits) | byte] as number;
    stuffed += entry;
    crc = ((crc << 8) ^ (crcTable[((crc >> 7) ^ byte) & 255] as number)) & 0x7fff;
  }
  entry = table7[(entry & stateBits) | (crc >> 8)] as number;
  stuffed += entry + (table8[(entry & stateBits) | (crc & 255)] as number);
  return (extended ? 39 : 19) + 8 * (end - from) + crcBits + tailBits + (stuffed & countBits);
}

/**
 * Bits of an FD frame: low half up to the bit rate switch and behind the CRC field, high half those in between, which the faster bit
 * rate sends when the frame says so.
 */
function fdBits(id: number, flags: number, bytes: Uint8Array, length: number, from: number): number {
  const extended = (flags & frameFlag.extended) !== 0;
  const bitRateSwitch = (flags & frameFlag.bitRateSwitch) !== 0 ? 1 : 0;
  const errorState = (flags & frameFlag.errorStateIndicator) !== 0 ? 16 : 0;
  // RRS, FDF and res in front of the switch; in a standard frame IDE between RRS and FDF.
  const control = 4 | bitRateSwitch;
  const rest = extended ? (((id >>> 18) & 255) << 24) | (3 << 22) | ((id & 0x3ffff) << 4) | control : (id << 5) | control;
  let entry = ((extended ? table4 : table1) as Uint16Array)[extended ? id >>> 26 : 0] as number;
  let stuffed = entry;
  for (let shift = extended ? 24 : 8; shift >= 0; shift -= 8) {
    entry = table8[(entry & stateBits) | ((rest >>> shift) & 255)] as number;
    stuffed += entry;
  }
  const arbitration = (extended ? 36 : 17) + (stuffed & countBits);
  // A run that ends with the last stuffed bit brings no stuff bit of its own, since the CRC field begins with a fixed one (ISO
  // 11898-1:2015, from memory): so the last bit can't add any and is left out.
  const last = from + length - 1;
  const header = errorState | lengthCode(length);
  entry = (length === 0 ? table4[(entry & stateBits) | (header >> 1)] : table5[(entry & stateBits) | header]) as number;
  stuffed = entry;
  for (let i = from; i < last; i++) {
    entry = table8[(entry & stateBits) | (bytes[i] as number)] as number;
    stuffed += entry;
  }
  if (length > 0) stuffed += table7[(entry & stateBits) | ((bytes[last] as number) >> 1)] as number;
  const crcField = length <= fdShortCrcBytesMax ? fdShortCrcFieldBits : fdLongCrcFieldBits;
  return ((5 + 8 * length + (stuffed & countBits) + crcField) << 16) | (arbitration + fdTailBits);
}

/**
 * Seconds that a frame takes on a bus. An FD frame with a bit rate switch sends everything from behind the switch up to the end of its
 * CRC field at the data rate; the switch itself lies inside its bit, which is not counted apart.
 *
 * @param bitRate bit/s; `dataBitRate` too, undefined when the bus has none.
 */
export function wireSeconds(
  id: number,
  flags: number,
  bytes: Uint8Array,
  length: number,
  bitRate: number,
  dataBitRate: number | undefined,
): number {
  if ((flags & frameFlag.fd) === 0 || (flags & frameFlag.bitRateSwitch) === 0 || dataBitRate === undefined) {
    return wireBits(id, flags, bytes, length) / bitRate;
  }
  const split = fdBits(id, flags, bytes, length, 0);
  return (split & 0xffff) / bitRate + (split >>> 16) / dataBitRate;
}

/**
 * The most bits that a frame of this kind can take: 55 + 10 n standard, 80 + 10 n extended for classic frames. Sources: Davis, Burns,
 * Bril, Lukkien, Real-Time Systems 35 (2007) 239-272, as quoted in can-utils; FD as in Linux include/linux/can/length.h, which allows one
 * more than `wireBits` counts for extended frames.
 *
 * @param length Data length in bytes.
 */
export function wireBitsMax(flags: number, length: number): number {
  const extended = (flags & frameFlag.extended) !== 0;
  if ((flags & frameFlag.fd) !== 0) {
    const stuffable = (extended ? 41 : 22) + 8 * length;
    const crcField = length <= fdShortCrcBytesMax ? fdShortCrcFieldBits : fdLongCrcFieldBits;
    return stuffable + Math.floor((stuffable - 1) / 4) + crcField + fdTailBits;
  }
  const stuffable = (extended ? 39 : 19) + 8 * length + crcBits;
  return stuffable + Math.floor((stuffable - 1) / 4) + tailBits;
}

/**
 * The least time on the wire of a frame of this kind, in seconds: no stuff bit counted. An FD frame is taken to switch the bit rate where
 * the bus has a data bit rate.
 *
 * Worked: a standard frame of 8 bytes has 47 + 64 = 111 bits, 222 µs at 500 kbit/s.
 */
export function wireSecondsMin(flags: number, length: number, bitRate: number, dataBitRate: number | undefined): number {
  const extended = (flags & frameFlag.extended) !== 0;
  if ((flags & frameFlag.fd) === 0) return ((extended ? 39 : 19) + 8 * length + crcBits + tailBits) / bitRate;
  const crcField = length <= fdShortCrcBytesMax ? fdShortCrcFieldBits : fdLongCrcFieldBits;
  return ((extended ? 36 : 17) + fdTailBits) / bitRate + (5 + 8 * length + crcField) / (dataBitRate ?? bitRate);
}
