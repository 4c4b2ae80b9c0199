// A batch of CAN frames as struct of arrays: the only form in which frames travel between stages.

/** Bits of `FrameBatch.flags`. An error frame (`error`) never is data: its id holds the error class bits of linux/can/error.h. */
export const frameFlag = {
  extended: 1,
  remote: 2,
  error: 4,
  fd: 8,
  bitRateSwitch: 16,
  errorStateIndicator: 32,
} as const;

const dataAlignBytes = 8;

/**
 * Frames in struct-of-arrays form, in the order in which they are to be taken.
 *
 * Data bytes lie in one arena, each frame's at a multiple of 8 and padded with zeros to one, so that a decoder may load whole
 * 32-bit words of any frame whose length it has checked.
 *
 *     frame i:  timeUs[i]  bus[i]  id[i]  flags[i]  length[i]  data[offset[i] .. offset[i] + length[i])
 */
export class FrameBatch {
  /** Number of frames held. */
  count = 0;
  /** Integer microseconds of session time (for imported files: the file's own time). */
  timeUs: Float64Array;
  /** Index of the bus in `Vehicle.buses`. */
  bus: Uint8Array;
  /** 11 or 29 bits, without flag bits; for an error frame the error class bits. */
  id: Uint32Array;
  flags: Uint8Array;
  /**
   * Data length in bytes, 0 to 64; for a remote frame the length asked for, and no bytes are held. Of J1939 messages put together from
   * packets (`codec/transport.ts`) up to 1785, in 16 bits; only decoding and looking at bytes know these.
   */
  length: Uint8Array | Uint16Array;
  /** Where the frame's bytes begin in `data`. */
  offset: Uint32Array;
  data: Uint8Array;
  view: DataView;
  /** End of the used part of `data`. */
  dataEnd = 0;

  constructor(framesMax = 256, dataBytes = framesMax * dataAlignBytes) {
    this.timeUs = new Float64Array(framesMax);
    this.bus = new Uint8Array(framesMax);
    this.id = new Uint32Array(framesMax);
    this.flags = new Uint8Array(framesMax);
    this.length = new Uint8Array(framesMax);
    this.offset = new Uint32Array(framesMax);
    this.data = new Uint8Array(dataBytes);
    this.view = new DataView(this.data.buffer);
  }

  /** Forgets all frames; keeps the memory. */
  clear(): void {
    this.count = 0;
    this.dataEnd = 0;
  }

  /** Adds a frame whose bytes are `bytes[from .. from + length)`; grows as needed. */
  push(timeUs: number, bus: number, id: number, flags: number, bytes: Uint8Array, from: number, length: number): void {
    const held = (flags & frameFlag.remote) !== 0 ? 0 : length;
    const padded = (held + dataAlignBytes - 1) & -dataAlignBytes;
    if (this.count === this.timeUs.length) this.growFrames();
    while (this.dataEnd + padded > this.data.length) this.growData();
    const i = this.count++;
    const o = this.dataEnd;
    this.timeUs[i] = timeUs;
    this.bus[i] = bus;
    this.id[i] = id;
    this.flags[i] = flags;
    this.length[i] = length;
    this.offset[i] = o;
    for (let k = 0; k < held; k++) this.data[o + k] = bytes[from + k] as number;
    for (let k = held; k < padded; k++) this.data[o + k] = 0;
    this.dataEnd = o + padded;
  }

  /** Adds frame `i` of `other`. */
  pushFrom(other: FrameBatch, i: number): void {
    this.push(
      other.timeUs[i] as number,
      other.bus[i] as number,
      other.id[i] as number,
      other.flags[i] as number,
      other.data,
      other.offset[i] as number,
      other.length[i] as number,
    );
  }

  /** A view of frame `i`'s bytes; valid until the batch is cleared or grows. */
  bytesOf(i: number): Uint8Array {
    const held = ((this.flags[i] as number) & frameFlag.remote) !== 0 ? 0 : (this.length[i] as number);
    const o = this.offset[i] as number;
    return this.data.subarray(o, o + held);
  }

  private growFrames(): void {
    const framesMax = Math.max(16, this.timeUs.length * 2);
    this.timeUs = grown(this.timeUs, new Float64Array(framesMax));
    this.bus = grown(this.bus, new Uint8Array(framesMax));
    this.id = grown(this.id, new Uint32Array(framesMax));
    this.flags = grown(this.flags, new Uint8Array(framesMax));
    this.length = grown(this.length, new Uint8Array(framesMax));
    this.offset = grown(this.offset, new Uint32Array(framesMax));
  }

  private growData(): void {
    this.data = grown(this.data, new Uint8Array(Math.max(128, this.data.length * 2)));
    this.view = new DataView(this.data.buffer);
  }
}

function grown<T extends { set(from: T): void }>(from: T, to: T): T {
  to.set(from);
  return to;
}
