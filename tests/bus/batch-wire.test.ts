import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { encodeFrames, encodeNote, noLook, PacketReader, type ReaderPacket } from '../../server/bus/batch-wire.ts';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';

interface PlainFrame {
  timeUs: number;
  id: number;
  flags: number;
  data: number[];
}

function toBatch(frames: PlainFrame[]): FrameBatch {
  const batch = new FrameBatch(1, 8);
  for (const { timeUs, id, flags, data } of frames) batch.push(timeUs, 0, id, flags, Uint8Array.from(data), 0, data.length);
  return batch;
}

function toPlain(batch: FrameBatch): PlainFrame[] {
  return Array.from({ length: batch.count }, (_, i) => ({
    timeUs: batch.timeUs[i] as number,
    id: batch.id[i] as number,
    flags: batch.flags[i] as number,
    data: [...batch.bytesOf(i)],
  }));
}

function framesOf(packets: ReaderPacket[]): PlainFrame[] {
  return packets.flatMap((packet) => (packet.kind === 'frames' ? toPlain(packet.batch) : []));
}

const frame = fc.record({
  timeUs: fc.integer({ min: 0, max: Number.MAX_SAFE_INTEGER }),
  id: fc.integer({ min: 0, max: 0x1fffffff }),
  flags: fc.constantFrom(0, frameFlag.extended, frameFlag.error, frameFlag.fd, frameFlag.fd | frameFlag.bitRateSwitch),
  data: fc.array(fc.integer({ min: 0, max: 255 }), { maxLength: 64 }),
});

const totals = { dataTaken: 0, errorsTaken: 0, dropped: 0, look: noLook };

describe('the pipe between reader process and server', () => {
  it('gives back every frame, wherever the pipe cuts the bytes', () => {
    fc.assert(
      fc.property(
        fc.array(fc.array(frame, { maxLength: 20 }), { maxLength: 5 }),
        fc.array(fc.integer({ min: 1, max: 97 }), { minLength: 1 }),
        (batches, cuts) => {
          const bytes = Buffer.concat(batches.map((frames) => encodeFrames(toBatch(frames), 7, totals)));
          const reader = new PacketReader(0);
          const packets: ReaderPacket[] = [];
          for (let at = 0, k = 0; at < bytes.length; k++) {
            const length = cuts[k % cuts.length] as number;
            packets.push(...reader.push(bytes.subarray(at, at + length)));
            at += length;
          }
          expect(framesOf(packets)).toEqual(batches.flat());
          expect(packets).toHaveLength(batches.length);
        },
      ),
    );
  });

  it('keeps a remote frame with its length and without bytes, and the frame behind it', () => {
    const batch = new FrameBatch();
    batch.push(5, 0, 0x123, frameFlag.remote, new Uint8Array(8), 0, 6);
    batch.push(6, 0, 0x124, 0, Uint8Array.of(1, 2, 3), 0, 3);
    const [packet] = new PacketReader(2).push(encodeFrames(batch, 9, totals));
    expect(packet).toMatchObject({ kind: 'frames', watermarkUs: 9 });
    const got = (packet as { batch: FrameBatch }).batch;
    expect([got.length[0], got.bytesOf(0).length, [...got.bytesOf(1)], got.bus[0], got.bus[1]]).toEqual([6, 0, [1, 2, 3], 2, 2]);
  });

  it('carries the running totals and the look at the counters', () => {
    const sent = {
      dataTaken: 2 ** 40 + 1,
      errorsTaken: 3,
      dropped: 4,
      look: { received: 5, sent: 6, most: { dataTaken: 7, errorsTaken: 8 }, sure: { dataTaken: 9, errorsTaken: 10 } },
    };
    const [packet] = new PacketReader(0).push(encodeFrames(new FrameBatch(), -1, sent));
    expect(packet).toMatchObject({ kind: 'frames', watermarkUs: -1, ...sent });
  });

  it('carries notes between frames, in order', () => {
    const bytes = Buffer.concat([
      encodeFrames(toBatch([{ timeUs: 1, id: 1, flags: 0, data: [] }]), 0, totals),
      encodeNote({ note: 'down', detail: 'unplugged, 25 °C' }),
    ]);
    const packets = new PacketReader(0).push(bytes);
    expect(packets.map((packet) => packet.kind)).toEqual(['frames', 'note']);
    expect(packets[1]).toEqual({ kind: 'note', note: { note: 'down', detail: 'unplugged, 25 °C' } });
  });

  it.each([
    ['a wrong mark', (bytes: Uint8Array) => bytes.fill(0, 0, 4)],
    ['a payload too short for its frames', (bytes: Uint8Array) => new DataView(bytes.buffer).setUint32(12, 9, true)],
    ['lengths that do not add up', (bytes: Uint8Array) => bytes.fill(64, bytes.length - 9, bytes.length - 8)],
  ])('notices a torn stream: %s', (_what, tear) => {
    const bytes = encodeFrames(toBatch([{ timeUs: 1, id: 1, flags: 0, data: [1] }]), 0, totals);
    tear(bytes);
    expect(() => new PacketReader(0).push(bytes)).toThrow('torn');
  });
});
