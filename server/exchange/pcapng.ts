// Reads pcapng files: sections of either byte order, interfaces with names and time resolutions, packets of link type 227.
import type { FrameBatch } from '../bus/frame-batch.ts';
import { EvenburnError } from '../errors.ts';
import { recordBytesMax } from '../limits.ts';
import { linkTypeSocketCan, takePacket } from './can-packet.ts';
import { type Intake, noBus } from './intake.ts';
import type { FrameParser } from './recorded-file.ts';

/** Block types and option codes. Source: https://www.ietf.org/archive/id/draft-ietf-opsawg-pcapng */
export const blockType = { section: 0x0a0d0d0a, interface: 1, packet: 2, simplePacket: 3, enhancedPacket: 6 } as const;
export const optionCode = { end: 0, interfaceName: 2, timeResolution: 9, timeOffset: 14, packetFlags: 2 } as const;
export const byteOrderMagic = 0x1a2b3c4d;

const blockFrameBytes = 12;

interface Interface {
  linkType: number;
  name: string;
  bus: number;
  /** Units of its time stamps in a second. */
  perSecond: bigint;
  offsetS: bigint;
}

export function looksLikePcapng(bytes: Buffer): boolean {
  return bytes.length >= 4 && bytes.readUInt32BE(0) === blockType.section;
}

export class PcapngParser implements FrameParser {
  readonly format = 'pcapng';
  private readonly path: string;
  private readonly intake: Intake;
  private offset = 0;
  private little = true;
  private interfaces: Interface[] = [];
  private otherLinkTypes = 0;
  /** Looking for a sound block after a damaged one. */
  private lost = false;

  constructor(path: string, intake: Intake) {
    this.path = path;
    this.intake = intake;
  }

  take(bytes: Buffer, last: boolean, batch: FrameBatch): number {
    let at = 0;
    while (at + blockFrameBytes <= bytes.length) {
      const step = this.takeBlock(bytes, at, last, batch);
      if (step === 0) break;
      at += step;
    }
    if (last && at < bytes.length) {
      if (!this.lost) this.intake.malformed('byte', this.offset + at, 'the file ends inside a block');
      at = bytes.length;
    }
    this.offset += at;
    if (last) this.refuseOtherLinkTypes();
    return at;
  }

  /** Bytes done with, 0 when the block isn't whole yet. */
  private takeBlock(bytes: Buffer, at: number, last: boolean, batch: FrameBatch): number {
    const isSection = bytes.readUInt32BE(at) === blockType.section;
    if (isSection) this.little = bytes.readUInt32LE(at + 8) === byteOrderMagic;
    const size = this.word(bytes, at + 4);
    if (size < blockFrameBytes || size % 4 !== 0 || size > recordBytesMax) return this.skipDamaged(at);
    if (at + size > bytes.length) return this.lost && last ? 4 : 0;
    if (this.word(bytes, at + size - 4) !== size) return this.skipDamaged(at);
    this.lost = false;
    const body = bytes.subarray(at + 8, at + size - 4);
    const fault = this.takeBody(isSection ? blockType.section : this.word(bytes, at), body, batch);
    if (fault !== '') this.intake.malformed('byte', this.offset + at, fault);
    return size;
  }

  private takeBody(type: number, body: Buffer, batch: FrameBatch): string {
    if (type === blockType.section) this.interfaces = [];
    else if (type === blockType.interface) return this.takeInterface(body);
    else if (type === blockType.enhancedPacket) return this.takePacket(body, batch, (block) => this.word(block, 0));
    // Its older form, which files of long ago hold: beside a shorter interface number the count of drops, and the rest alike.
    else if (type === blockType.packet) return this.takePacket(body, batch, (block) => this.half(block, 0));
    else if (type === blockType.simplePacket) return 'a packet without a time stamp';
    return '';
  }

  /** Blocks begin at multiples of four bytes, and their size stands at both ends: the next one where both agree is taken. */
  private skipDamaged(at: number): number {
    if (!this.lost) this.intake.malformed('byte', this.offset + at, 'a block is damaged');
    this.lost = true;
    return 4;
  }

  /** What is wrong with the description, or ''. */
  private takeInterface(body: Buffer): string {
    if (body.length < 8) return 'the description of an interface is too short';
    const made: Interface = { linkType: this.half(body, 0), name: '', bus: noBus, perSecond: 1_000_000n, offsetS: 0n };
    for (const { code, value } of this.options(body, 8)) {
      if (code === optionCode.interfaceName) made.name = value.toString('utf8').replace(/\0+$/, '');
      else if (code === optionCode.timeResolution && value.length > 0) made.perSecond = unitsPerSecond(value[0] as number);
      else if (code === optionCode.timeOffset && value.length >= 8)
        made.offsetS = this.little ? value.readBigInt64LE() : value.readBigInt64BE();
    }
    made.bus = this.intake.busNamed(made.name);
    this.interfaces.push(made);
    return '';
  }

  /** What is wrong with the packet, or ''. */
  private takePacket(body: Buffer, batch: FrameBatch, interfaceOf: (body: Buffer) => number): string {
    if (body.length < 20) return 'a packet is too short';
    const from = this.interfaces[interfaceOf(body)];
    const size = this.word(body, 12);
    if (!from) return `a packet of interface ${interfaceOf(body)}, which the file does not describe`;
    if (20 + size > body.length) return `a packet of ${size} bytes does not fit its block`;
    if (from.linkType !== linkTypeSocketCan) {
      this.otherLinkTypes++;
      return `a packet of link type ${from.linkType}, not CAN (${linkTypeSocketCan})`;
    }
    if (from.bus === noBus) {
      this.intake.countUnmatched(from.name);
      return '';
    }
    const fault = takePacket(body, 20, size, this.timeUs(body, from), from.bus, batch);
    if (fault === '') this.countDirection(body, 20 + ((size + 3) & -4));
    return fault;
  }

  private timeUs(body: Buffer, { perSecond, offsetS }: Interface): number {
    const stamp = (BigInt(this.word(body, 4)) << 32n) | BigInt(this.word(body, 8));
    const scaled = stamp * 1_000_000n;
    if (scaled % perSecond !== 0n) this.intake.counts.roundedTimes++;
    return Number((scaled + perSecond / 2n) / perSecond + offsetS * 1_000_000n);
  }

  private countDirection(body: Buffer, from: number): void {
    if (from + 4 > body.length) return;
    for (const { code, value } of this.options(body, from)) {
      if (code !== optionCode.packetFlags || value.length < 4) continue;
      const direction = this.word(value, 0) & 3;
      if (direction === 1) this.intake.counts.received++;
      else if (direction === 2) this.intake.counts.transmitted++;
    }
  }

  private *options(body: Buffer, from: number): Generator<{ code: number; value: Buffer }> {
    for (let at = from; at + 4 <= body.length; ) {
      const code = this.half(body, at);
      const length = this.half(body, at + 2);
      if (code === optionCode.end || at + 4 + length > body.length) return;
      yield { code, value: body.subarray(at + 4, at + 4 + length) };
      at += 4 + ((length + 3) & -4);
    }
  }

  /** A file of another network altogether is not a recording of a bus; said by its link type. */
  private refuseOtherLinkTypes(): void {
    const other = this.interfaces.find(({ linkType }) => linkType !== linkTypeSocketCan);
    if (other && this.otherLinkTypes > 0 && this.interfaces.every(({ linkType }) => linkType !== linkTypeSocketCan)) {
      const why = `its link type is ${other.linkType}, not CAN (${linkTypeSocketCan})`;
      throw new EvenburnError('INPUT_NOT_A_RECORDING', { path: this.path, why });
    }
  }

  private word(bytes: Buffer, at: number): number {
    return this.little ? bytes.readUInt32LE(at) : bytes.readUInt32BE(at);
  }

  private half(bytes: Buffer, at: number): number {
    return this.little ? bytes.readUInt16LE(at) : bytes.readUInt16BE(at);
  }
}

/** if_tsresol: a power of ten, or with the highest bit set a power of two. */
function unitsPerSecond(resolution: number): bigint {
  const exponent = BigInt(resolution & 0x7f);
  return (resolution & 0x80) !== 0 ? 2n ** exponent : 10n ** exponent;
}
