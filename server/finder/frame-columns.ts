// The frames of a recording id by id, byte by byte: what the signal finder searches.
import { type FrameBatch, frameFlag } from '../bus/frame-batch.ts';

/** All frames of one id on one bus, in the order in which they came. */
export class IdFrames {
  readonly bus: number;
  readonly id: number;
  /** Extended and FD only, as in `frameFlag`. */
  readonly flags: number;
  /** Bytes of the shortest frame: what every frame has. */
  lengthBytes: number;
  count = 0;
  private times = new Float64Array(64);
  private data: Uint8Array;
  private readonly stride: number;

  constructor(bus: number, id: number, flags: number, lengthBytes: number) {
    this.bus = bus;
    this.id = id;
    this.flags = flags;
    this.lengthBytes = lengthBytes;
    this.stride = Math.max(1, lengthBytes);
    this.data = new Uint8Array(64 * this.stride);
  }

  get extended(): boolean {
    return (this.flags & frameFlag.extended) !== 0;
  }

  /** Times of the frames; valid until the next one is taken. */
  get timeUs(): Float64Array {
    return this.times.subarray(0, this.count);
  }

  /** Byte `byte` of frame `i`. */
  byteAt(i: number, byte: number): number {
    return this.data[i * this.stride + byte] as number;
  }

  push(timeUs: number, batch: FrameBatch, i: number): void {
    if (this.count === this.times.length) this.grow();
    const length = Math.min(batch.length[i] as number, this.stride);
    if (length < this.lengthBytes) this.lengthBytes = length;
    const from = batch.offset[i] as number;
    const to = this.count * this.stride;
    for (let k = 0; k < length; k++) this.data[to + k] = batch.data[from + k] as number;
    this.times[this.count++] = timeUs;
  }

  private grow(): void {
    const times = new Float64Array(this.times.length * 2);
    times.set(this.times);
    this.times = times;
    const data = new Uint8Array(this.data.length * 2);
    data.set(this.data);
    this.data = data;
  }
}

/** Gathers frames in time order, without error and remote frames; some 8 bytes and the data a frame. */
export class FrameColumns {
  frames = 0;
  startUs = Number.POSITIVE_INFINITY;
  endUs = Number.NEGATIVE_INFINITY;
  private readonly byKey = new Map<number, IdFrames>();

  get ids(): IdFrames[] {
    return [...this.byKey.values()];
  }

  take(batch: FrameBatch): void {
    for (let i = 0; i < batch.count; i++) this.takeFrame(batch, i);
  }

  private takeFrame(batch: FrameBatch, i: number): void {
    const timeUs = batch.timeUs[i] as number;
    if (timeUs < this.startUs) this.startUs = timeUs;
    if (timeUs > this.endUs) this.endUs = timeUs;
    this.frames++;
    const flags = batch.flags[i] as number;
    if ((flags & (frameFlag.error | frameFlag.remote)) !== 0) return;
    const kind = flags & (frameFlag.extended | frameFlag.fd);
    const bus = batch.bus[i] as number;
    const id = batch.id[i] as number;
    const key = (bus * 16 + kind) * 2 ** 29 + id;
    let frames = this.byKey.get(key);
    if (!frames) {
      frames = new IdFrames(bus, id, kind, batch.length[i] as number);
      this.byKey.set(key, frames);
    }
    frames.push(timeUs, batch, i);
  }
}
