import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { compileDecoder } from '../../server/codec/decoder.ts';
import { Transport } from '../../server/codec/transport.ts';
import type { Frame } from '../../server/definitions/vehicle.ts';
import { transportsMax } from '../../server/limits.ts';
import { Pipeline } from '../../server/pipeline.ts';
import { madeFrame, madeSignal, madeVehicle, range } from './made-vehicle.ts';

/** Diagnostic group 65226 with ten bytes, each a signal: the values of the worked broadcast are 1 to 10. */
const tenBytes = madeFrame({
  pgn: 65226,
  lengthBytes: 10,
  fd: false,
  signals: Array.from({ length: 10 }, (_, i) => madeSignal({ name: `byte_${i}`, startBit: i * 8 })),
});

/** From the tests of an independent public decoder: group 65226, 10 bytes 01 to 0A. */
const workedBroadcast = ['18ECFF00 200A0002FFCAFE00', '18EBFF00 0101020304050607', '18EBFF00 0208090AFFFFFFFF'];

function batchOf(lines: readonly string[], stepUs = 50_000, fromUs = 0): FrameBatch {
  const batch = new FrameBatch();
  for (const [i, line] of lines.entries()) {
    const [id, data] = line.split(' ') as [string, string];
    const bytes = Uint8Array.from(Buffer.from(data, 'hex'));
    const flags = id.length > 3 ? frameFlag.extended : 0;
    batch.push(fromUs + i * stepUs, 0, Number.parseInt(id, 16), flags, bytes, 0, bytes.length);
  }
  return batch;
}

function decode(lines: readonly string[], frames: Frame[] = [tenBytes], stepUs?: number) {
  const decoder = compileDecoder(madeVehicle(frames));
  const batch = batchOf(lines, stepUs);
  const out = new SampleBatch();
  decoder.decode(batch, 0, batch.count, out);
  const { counts, transport } = decoder;
  return {
    values: Array.from(out.value.subarray(0, out.count)),
    times: Array.from(out.timeUs.subarray(0, out.count)),
    counts,
    messages: (transport as Transport).counts,
    underWay: (transport as Transport).underWay,
  };
}

const oneToTen = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];

describe('a packet that the vehicle names itself', () => {
  const number = (frame: Partial<Frame>) =>
    madeFrame({ ...frame, extended: true, lengthBytes: 8, fd: false, signals: [madeSignal({ name: 'packet_number', startBit: 0 })] });

  it.each([
    ['by its exact id', number({ id: 0x18ebff00 }), [1, 2]],
    ['by its group', number({ pgn: 0xeb00 }), [1, 2]],
    ['as the announcement', number({ pgn: 0xec00 }), [0x20]],
  ])('%s is a frame, and no part of a message', (_how, frame, values) => {
    const seen = decode(workedBroadcast, [tenBytes, frame]);
    expect(seen.values).toEqual(values);
    expect(seen.counts.total.decoded).toBe(values.length);
    expect(seen.messages.complete).toBe(0);
  });

  it('leaves the packets of another sender to their message', () => {
    const { values, messages } = decode(workedBroadcast, [tenBytes, number({ id: 0x18ebff01 })]);
    expect(values).toEqual(oneToTen);
    expect(messages.complete).toBe(1);
  });
});

describe('a broadcast of several packets', () => {
  it('gives the samples of its group at the time of its last packet', () => {
    const { values, times, counts, messages } = decode(workedBroadcast);
    expect(values).toEqual(oneToTen);
    expect(new Set(times)).toEqual(new Set([100_000]));
    expect(counts.total).toMatchObject({ frames: 3, decoded: 1, unknown: 0 });
    expect(counts.lastSource[0]).toBe(0);
    expect(messages).toEqual({ complete: 1, incomplete: 0, aborted: 0, stray: 0, malformed: 0 });
  });

  it('keeps its place among the frames around it', () => {
    const speed = madeFrame({ id: 0x100, lengthBytes: 1, signals: [madeSignal({ name: 'speed' })] });
    const { values } = decode(
      ['100 C8', ...workedBroadcast.slice(0, 2), '100 C9', workedBroadcast[2] as string, '100 CA'],
      [tenBytes, speed],
    );
    expect(values).toEqual([200, 201, ...oneToTen, 202]);
  });

  it('of two senders at once gives both', () => {
    const other = workedBroadcast.map((line) =>
      line.replace('18ECFF00', '18ECFF03').replace('18EBFF00', '18EBFF03').replace('0208090A', '0208091E'),
    );
    const lines = workedBroadcast.flatMap((line, i) => [line, other[i] as string]);
    expect(decode(lines).values).toEqual([...oneToTen, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30]);
  });

  it('that misses a packet gives nothing, and the next one is whole again', () => {
    const { values, messages } = decode([workedBroadcast[0] as string, workedBroadcast[2] as string, ...workedBroadcast]);
    expect(values).toEqual(oneToTen);
    expect(messages).toMatchObject({ complete: 1, incomplete: 1 });
  });

  it('never takes packets of the next message for its own, though that one’s beginning is lost', () => {
    const [, first, second] = workedBroadcast as [string, string, string];
    const { values, messages } = decode([...workedBroadcast.slice(0, 2), first, second]);
    expect(values).toEqual([]);
    expect(messages).toMatchObject({ complete: 0, incomplete: 1, stray: 1 });
  });

  it('is given up after more than 1.25 s of silence', () => {
    expect(decode(workedBroadcast, [tenBytes], 1_250_000).values).toEqual(oneToTen);
    const late = decode(workedBroadcast, [tenBytes], 1_250_001);
    expect(late.values).toEqual([]);
    expect(late.messages).toMatchObject({ complete: 0, incomplete: 1, stray: 2 });
  });

  it('begun anew before its end is counted, and the new one is taken', () => {
    const { values, messages } = decode([workedBroadcast[0] as string, ...workedBroadcast]);
    expect(values).toEqual(oneToTen);
    expect(messages).toMatchObject({ complete: 1, incomplete: 1 });
  });

  it('packets without a beginning are counted and give nothing', () => {
    const { values, messages, counts } = decode(workedBroadcast.slice(1));
    expect(values).toEqual([]);
    expect(messages.stray).toBe(2);
    expect(counts.total).toMatchObject({ frames: 2, decoded: 0, unknown: 0 });
  });

  it.each([
    ['of too few bytes', '18ECFF00 20080002FFCAFE00'],
    ['of more bytes than 255 packets hold', '18ECFF00 20FA06FFFFCAFE00'],
    ['whose packets don’t fit its length', '18ECFF00 200A0003FFCAFE00'],
    ['sent to one address', '18EC0300 200A0002FFCAFE00'],
    ['cut short', '18ECFF00 200A0002FFCA'],
    ['of an unknown kind', '18ECFF00 210A0002FFCAFE00'],
  ])('an announcement %s is counted as malformed', (_, line) => {
    const { messages, underWay } = decode([line]);
    expect(messages.malformed).toBe(1);
    expect(underWay).toBe(0);
  });

  it('of a group that nobody defines is counted as one unknown frame, by group and sender', () => {
    const { counts } = decode(workedBroadcast, [madeFrame({ pgn: 61444, signals: [madeSignal({ name: 'speed' })] })]);
    expect(counts.total).toMatchObject({ frames: 3, decoded: 0, unknown: 1 });
    expect(counts.unknownIds()).toEqual([{ bus: 0, id: 0x18feca00, extended: true, fd: false, frames: 1 }]);
  });

  it('longer than its definition is decoded and counted, shorter not decoded and counted', () => {
    const of = (lengthBytes: number) => ({
      ...tenBytes,
      lengthBytes,
      signals: tenBytes.signals.slice(0, 9).map((signal) => ({ ...signal })),
    });
    const long = decode(workedBroadcast, [of(9)]);
    expect(long.values).toEqual(oneToTen.slice(0, 9));
    expect(long.counts.longer[0]).toBe(1);
    const short = decode(workedBroadcast, [of(11)]);
    expect(short.values).toEqual([]);
    expect(short.counts.tooShort[0]).toBe(1);
  });

  it('counts only for the source addresses of its definition', () => {
    const from3 = { ...tenBytes, sourceAddresses: [{ from: 3, to: 3 }], signals: tenBytes.signals.map((signal) => ({ ...signal })) };
    expect(decode(workedBroadcast, [from3]).values).toEqual([]);
    const lines = workedBroadcast.map((line) => line.replace('FF00 ', 'FF03 '));
    expect(decode(lines, [from3]).values).toEqual(oneToTen);
  });

  it('on a bus without a definition by group is nothing but unknown ids', () => {
    const decoder = compileDecoder(madeVehicle([madeFrame({ id: 0x100, signals: [madeSignal({ name: 'speed' })] })]));
    const batch = batchOf(workedBroadcast);
    decoder.decode(batch, 0, batch.count, new SampleBatch());
    expect(decoder.transport).toBeUndefined();
    expect(decoder.counts.total.unknown).toBe(3);
  });

  it('of 1785 bytes is read to its last byte', () => {
    const long = madeFrame({
      pgn: 65226,
      lengthBytes: 1785,
      fd: false,
      signals: [
        madeSignal({ name: 'last', startBit: 1784 * 8 }),
        madeSignal({ name: 'across', startBit: 1780 * 8 + 7, bitLength: 32, byteOrder: 'big' }),
        madeSignal({ name: 'absent', startBit: 0, notAvailable: [range(0)] }),
      ],
    });
    const packets = Array.from({ length: 255 }, (_, p) => {
      const bytes = Array.from({ length: 7 }, (_, k) => (p * 7 + k) & 0xff);
      return `18EBFF00 ${Buffer.from([p + 1, ...bytes]).toString('hex')}`;
    });
    // 1784 mod 256 is 0xF8, 1780 mod 256 is 0xF4.
    expect(decode(['18ECFF00 20F906FFFFCAFE00', ...packets], [long]).values).toEqual([0xf8, 0xf4f5f6f7, 0]);
  });
});

describe('a message to one address', () => {
  const request = '18EC0300 100A0002FFCAFE00';
  const packets = ['18EB0300 0101020304050607', '18EB0300 0208090AFFFFFFFF'] as const;
  const clear = (count: number, next: number) => `18EC0003 11${hex(count)}${hex(next)}FFFFCAFE00`;
  const allReceived = '18EC0003 130A0002FFCAFE00';

  it('is whole with its receiver’s "all received", and not before', () => {
    const before = decode([request, clear(2, 1), ...packets]);
    expect(before.values).toEqual([]);
    expect(before.underWay).toBe(1);
    const { values, times, messages, counts } = decode([request, clear(2, 1), ...packets, allReceived]);
    expect(values).toEqual(oneToTen);
    expect(times[0]).toBe(200_000);
    expect(counts.lastSource[0]).toBe(0);
    expect(messages).toEqual({ complete: 1, incomplete: 0, aborted: 0, stray: 0, malformed: 0 });
  });

  it('takes packets that the receiver asks for again', () => {
    const lines = [request, clear(2, 1), packets[0], packets[1], clear(1, 2), '18EB0300 0208091EFFFFFFFF', allReceived];
    expect(decode(lines).values).toEqual([1, 2, 3, 4, 5, 6, 7, 8, 9, 30]);
  });

  it('waits while the receiver asks for patience', () => {
    const lines = [request, clear(1, 1), packets[0], clear(0, 0xff), clear(0, 0xff), clear(1, 2), packets[1], allReceived];
    expect(decode(lines, [tenBytes], 1_000_000).values).toEqual(oneToTen);
  });

  it.each([
    ['its sender', '18EC0300 FF02FFFFFFCAFE00'],
    ['its receiver', '18EC0003 FF02FFFFFFCAFE00'],
  ])('called off by %s gives nothing', (_, abort) => {
    const { values, messages } = decode([request, clear(2, 1), packets[0], abort, packets[1], allReceived]);
    expect(values).toEqual([]);
    expect(messages).toMatchObject({ complete: 0, aborted: 1, stray: 1 });
  });

  it('that its receiver calls whole though a packet wasn’t heard gives nothing', () => {
    const { values, messages } = decode([request, clear(2, 1), packets[0], allReceived]);
    expect(values).toEqual([]);
    expect(messages).toMatchObject({ complete: 0, incomplete: 1 });
  });
});

describe('messages under way', () => {
  it('are bounded; the longest silent is given up', () => {
    const frames = madeVehicle([tenBytes]);
    const transport = new Transport(frames);
    const lines = Array.from({ length: 256 }, (_, to) => to).flatMap((to) => (to === 0xff ? [] : [`18EC${hex(to)}09 100A0002FFCAFE00`]));
    const more = ['18EC0309', '18EC030A', '18EC030B'].map((id) => `${id} 100A0002FFCAFE00`);
    const batch = batchOf([...lines, ...more], 10);
    for (let i = 0; i < batch.count; i++) transport.take(batch, i);
    expect(transport.underWay).toBe(transportsMax);
    // 255 receivers of address 9 (one of them twice), and two of others: one more than fits.
    expect(transport.counts.incomplete).toBe(2);
  });

  it('go on alike from a saved state wherever it is taken, and however batches are cut (property)', () => {
    const vehicle = madeVehicle([tenBytes]);
    const lines = [...workedBroadcast, ...workedBroadcast.slice(0, 2), ...workedBroadcast];
    fc.assert(
      fc.property(fc.integer({ min: 0, max: lines.length }), fc.boolean(), (cut, restart) => {
        const values: number[] = [];
        const sink = {
          samples: (batch: SampleBatch) => {
            for (let i = 0; i < batch.count; i++) if ((batch.channel[i] as number) < 10) values.push(batch.value[i] as number);
          },
          alarm: () => undefined,
        };
        let pipeline = new Pipeline(vehicle, sink);
        pipeline.take({ kind: 'frames', batch: batchOf(lines.slice(0, cut)) });
        if (restart) {
          const state = JSON.parse(JSON.stringify(pipeline.saveState()));
          pipeline = new Pipeline(vehicle, sink);
          pipeline.restoreState(state);
        }
        pipeline.take({ kind: 'frames', batch: batchOf(lines.slice(cut), 50_000, cut * 50_000) });
        expect(values.filter((value) => value !== 0)).toEqual([...oneToTen, ...oneToTen]);
      }),
    );
  });
});

function hex(byte: number): string {
  return byte.toString(16).padStart(2, '0').toUpperCase();
}
