// A decoder that also puts J1939 messages of several packets together and decodes them by the definition of their group.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';
import type { Frame } from '../definitions/vehicle.ts';
import type { DecodeCounts, Decoder } from './decoder.ts';
import type { Transport } from './transport.ts';

/**
 * Wraps the decoder of single frames. A whole message gives its samples at the place and time of the packet that completes it. Packets are
 * counted as frames and in `transport.counts`; a message is counted like a frame of its group, as decoded, too short, longer or unknown.
 */
export class MessageDecoder implements Decoder {
  readonly frames: readonly Frame[];
  readonly counts: DecodeCounts;
  readonly transport: Transport;
  private readonly single: Decoder;

  constructor(single: Decoder, transport: Transport) {
    this.single = single;
    this.frames = single.frames;
    this.counts = single.counts;
    this.transport = transport;
  }

  decode(frames: FrameBatch, from: number, to: number, out: SampleBatch, starts?: Int32Array): void {
    const { single, transport } = this;
    const { bus, id, flags } = frames;
    let next = from;
    for (let i = from; i < to; i++) {
      if (!transport.isPacket(bus[i] as number, id[i] as number, flags[i] as number)) continue;
      if (i > next) single.decode(frames, next, i, out, starts);
      next = i + 1;
      if (starts) starts[i] = out.count;
      const message = transport.take(frames, i);
      // The packet counts as a frame; the message in its place doesn't a second time.
      if (message) single.decode(message, 0, 1, out);
      else this.counts.total.frames++;
    }
    if (to > next) single.decode(frames, next, to, out, starts);
  }

  findFrame(bus: number, id: number, flags: number): Frame | undefined {
    return this.single.findFrame(bus, id, flags);
  }
}
