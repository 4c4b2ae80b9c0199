// Reads pcap files of link type 227, either byte order, microseconds or nanoseconds.
import type { FrameBatch } from '../bus/frame-batch.ts';
import { EvenburnError } from '../errors.ts';
import { linkTypeSocketCan, takePacket } from './can-packet.ts';
import { type Intake, noBus } from './intake.ts';
import type { FrameParser } from './recorded-file.ts';

const fileHeaderBytes = 24;
const recordHeaderBytes = 16;
/** More than any CAN packet; a greater size means that the record's header is damaged. */
const packetBytesMax = 256;
/** A record found while looking for the next sound one lies within this time of the last. */
const resyncWithinUs = 86_400e6;

/** True for the four magic numbers of pcap. Source: https://www.ietf.org/archive/id/draft-ietf-opsawg-pcap */
export function looksLikePcap(bytes: Buffer): boolean {
  return bytes.length >= 4 && [0xa1b2c3d4, 0xd4c3b2a1, 0xa1b23c4d, 0x4d3cb2a1].includes(bytes.readUInt32BE(0));
}

export class PcapParser implements FrameParser {
  readonly format = 'pcap';
  private readonly path: string;
  private readonly intake: Intake;
  private offset = 0;
  private little = false;
  private nanoseconds = false;
  private started = false;
  private lastUs = Number.NaN;
  /** Looking for a sound record after a damaged one. */
  private lost = false;

  constructor(path: string, intake: Intake) {
    this.path = path;
    this.intake = intake;
  }

  take(bytes: Buffer, last: boolean, batch: FrameBatch): number {
    let at = 0;
    if (!this.started) {
      if (bytes.length < fileHeaderBytes && !last) return 0;
      this.takeHeader(bytes);
      at = fileHeaderBytes;
    }
    while (at + recordHeaderBytes <= bytes.length) {
      const step = this.takeRecord(bytes, at, last, batch);
      if (step === 0) break;
      at += step;
    }
    if (last && at < bytes.length) {
      if (!this.lost) this.intake.malformed('byte', this.offset + at, 'the file ends inside a record');
      at = bytes.length;
    }
    this.offset += at;
    return at;
  }

  private takeHeader(bytes: Buffer): void {
    const magic = bytes.length < 4 ? 0 : bytes.readUInt32BE(0);
    this.little = magic === 0xd4c3b2a1 || magic === 0x4d3cb2a1;
    this.nanoseconds = magic === 0xa1b23c4d || magic === 0x4d3cb2a1;
    this.started = true;
    const linkType = bytes.length < fileHeaderBytes ? -1 : this.word(bytes, 20) & 0xffff;
    if (linkType === linkTypeSocketCan) return;
    const why = linkType < 0 ? 'it ends inside its header' : `its link type is ${linkType}, not CAN (${linkTypeSocketCan})`;
    throw new EvenburnError('INPUT_NOT_A_RECORDING', { path: this.path, why });
  }

  /** Bytes done with, 0 when the record isn't whole yet. */
  private takeRecord(bytes: Buffer, at: number, last: boolean, batch: FrameBatch): number {
    const size = this.word(bytes, at + 8);
    if (!this.isSound(bytes, at)) {
      if (!this.lost) this.intake.malformed('byte', this.offset + at, `the header of a record is damaged (${size} bytes)`);
      this.lost = true;
      return 1;
    }
    if (at + recordHeaderBytes + size > bytes.length) {
      if (!last || !this.lost) return 0;
      return 1;
    }
    this.lost = false;
    const timeUs = this.timeUs(bytes, at);
    this.lastUs = timeUs;
    // pcap holds no interface names.
    const bus = this.intake.busNamed('');
    const from = at + recordHeaderBytes;
    const fault = bus === noBus ? '' : takePacket(bytes, from, size, timeUs, bus, batch);
    if (bus === noBus) this.intake.countUnmatched('');
    else if (fault !== '') this.intake.malformed('byte', this.offset + at, fault);
    return recordHeaderBytes + size;
  }

  /** A sane size and time; while looking for the next record also a time near the last and a frame whose length fits. */
  private isSound(bytes: Buffer, at: number): boolean {
    const size = this.word(bytes, at + 8);
    const part = this.word(bytes, at + 4);
    if (size > packetBytesMax || this.word(bytes, at + 12) < size || part >= (this.nanoseconds ? 1e9 : 1e6)) return false;
    if (!this.lost) return true;
    const near = Number.isNaN(this.lastUs) || Math.abs(this.timeOf(bytes, at) - this.lastUs) < resyncWithinUs;
    const length = bytes[at + recordHeaderBytes + 4];
    return near && size >= 8 && (length === undefined || length <= size - 8);
  }

  private timeUs(bytes: Buffer, at: number): number {
    if (this.nanoseconds && this.word(bytes, at + 4) % 1000 !== 0) this.intake.counts.roundedTimes++;
    return this.timeOf(bytes, at);
  }

  private timeOf(bytes: Buffer, at: number): number {
    const part = this.word(bytes, at + 4);
    return this.word(bytes, at) * 1e6 + (this.nanoseconds ? Math.round(part / 1000) : part);
  }

  private word(bytes: Buffer, at: number): number {
    return this.little ? bytes.readUInt32LE(at) : bytes.readUInt32BE(at);
  }
}
