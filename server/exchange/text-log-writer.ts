// Writes frames as a text log: `(1700000000.000454) can0 512#6C9600E3`.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';

const hexDigits = Buffer.from('0123456789ABCDEF', 'latin1');
const errorIdBit = 0x20000000;
/** Seconds of 10 digits and more, an FD frame of 64 bytes, and everything in between. */
const lineBytesMax = 16 + 8 + 9 + 3 + 128 + 8;

/**
 * The frames of a batch as lines. Session times go in as they are: 0.000454 s is `(0000000000.000454)`.
 *
 * @param names Interface name of each bus.
 */
export function toTextLog(batch: FrameBatch, names: readonly string[]): Buffer {
  return new TextLogWriter(batch, names).lines();
}

class TextLogWriter {
  private readonly batch: FrameBatch;
  private readonly names: Buffer[];
  private readonly out: Buffer;
  private at = 0;

  constructor(batch: FrameBatch, names: readonly string[]) {
    this.batch = batch;
    this.names = names.map((name) => Buffer.from(name, 'utf8'));
    const nameBytesMax = Math.max(0, ...this.names.map((name) => name.length));
    this.out = Buffer.allocUnsafe(batch.count * (lineBytesMax + nameBytesMax));
  }

  lines(): Buffer {
    for (let i = 0; i < this.batch.count; i++) this.frame(this.batch, i);
    return this.out.subarray(0, this.at);
  }

  private frame(batch: FrameBatch, i: number): void {
    const timeUs = batch.timeUs[i] as number;
    const flags = batch.flags[i] as number;
    const id = batch.id[i] as number;
    const seconds = Math.floor(timeUs / 1_000_000);
    this.put(0x28);
    this.decimal(seconds, 10);
    this.put(0x2e);
    this.decimal(timeUs - seconds * 1_000_000, 6);
    this.put(0x29);
    this.put(0x20);
    const name = this.names[batch.bus[i] as number] as Buffer;
    this.at += name.copy(this.out, this.at);
    this.put(0x20);
    if ((flags & frameFlag.error) !== 0) this.hex(errorIdBit + id, 8);
    else this.hex(id, (flags & frameFlag.extended) !== 0 ? 8 : 3);
    this.put(0x23);
    if ((flags & frameFlag.remote) !== 0) this.remoteLength(batch.length[i] as number);
    else this.data(batch, i, flags);
    this.put(0x0a);
  }

  private remoteLength(length: number): void {
    this.put(0x52);
    if (length > 0) this.decimal(length, 1);
  }

  private data(batch: FrameBatch, i: number, flags: number): void {
    if ((flags & frameFlag.fd) !== 0) {
      this.put(0x23);
      this.hex(((flags & frameFlag.bitRateSwitch) !== 0 ? 1 : 0) | ((flags & frameFlag.errorStateIndicator) !== 0 ? 2 : 0), 1);
    }
    const from = batch.offset[i] as number;
    const end = from + (batch.length[i] as number);
    for (let k = from; k < end; k++) this.hex(batch.data[k] as number, 2);
  }

  private put(byte: number): void {
    this.out[this.at++] = byte;
  }

  /** At least `digits` digits. */
  private decimal(value: number, digits: number): void {
    const text = String(value).padStart(digits, '0');
    this.at += this.out.write(text, this.at, 'latin1');
  }

  private hex(value: number, digits: number): void {
    for (let i = digits - 1; i >= 0; i--) this.put(hexDigits[(value >>> (4 * i)) & 15] as number);
  }
}
