import { describe, expect, it } from 'vitest';
import { type FramesPacket, PacketReader, type ReaderPacket } from '../../server/bus/batch-wire.ts';
import { frameFlag } from '../../server/bus/frame-batch.ts';
import { ReaderOutlet } from '../../server/bus/reader-outlet.ts';

/** An outlet on a pipe whose other end reads when it is told to. */
function made() {
  const packets: ReaderPacket[] = [];
  const reader = new PacketReader(0);
  const waiting: (() => void)[] = [];
  const state = { nowUs: 0, isStuck: false };
  const outlet = new ReaderOutlet(
    {
      write(bytes, done) {
        packets.push(...reader.push(bytes));
        if (state.isStuck) waiting.push(done);
        else done();
      },
    },
    () => state.nowUs,
  );
  const drain = () => {
    state.isStuck = false;
    while (waiting.length > 0) waiting.shift()?.();
  };
  const frames = () => packets.filter((packet): packet is FramesPacket => packet.kind === 'frames');
  const times = () => frames().flatMap(({ batch }) => [...batch.timeUs.subarray(0, batch.count)]);
  const take = (timeUs: number, flags = 0) => outlet.frame(timeUs, 0x100, flags, Uint8Array.of(1), 1);
  return { outlet, packets, state, drain, frames, times, take };
}

describe("a reader's way out", () => {
  it('flushes even when empty, with a watermark that trails now', () => {
    const { outlet, frames, state } = made();
    state.nowUs = 50_000;
    outlet.flush(false);
    expect(frames().map(({ batch, watermarkUs }) => [batch.count, watermarkUs])).toEqual([[0, 49_000]]);
  });

  it("lets no frame be older than the bus's last one, and keeps the time of one that comes late", () => {
    const { outlet, state, take } = made();
    take(40_000);
    state.nowUs = 80_000;
    outlet.flush(false);
    expect(outlet.floorUs).toBe(40_000);
  });

  it('tells a look at the counters once', () => {
    const { outlet, frames } = made();
    outlet.looked({ received: 7, sent: 0, most: { dataTaken: 5, errorsTaken: 0 }, sure: { dataTaken: 4, errorsTaken: 0 } });
    outlet.flush(false);
    outlet.flush(false);
    expect(frames().map(({ look }) => look.received)).toEqual([7, -1]);
  });

  it('holds the watermark back while frames wait that it has not taken', () => {
    const { outlet, frames, state, take } = made();
    state.nowUs = 50_000;
    take(30_000);
    outlet.flush(true);
    expect(frames().at(-1)?.watermarkUs).toBe(29_999);
  });

  it('lets the watermark trail further where frames come late, and catches up afterwards', () => {
    const { outlet, frames, state, take } = made();
    state.nowUs = 100_000;
    take(92_000);
    outlet.flush(false);
    expect(frames().at(-1)?.watermarkUs).toBe(91_000);
    for (let k = 0; k < 100; k++) {
      state.nowUs += 5_000;
      outlet.flush(false);
    }
    expect(frames().at(-1)?.watermarkUs).toBe(state.nowUs - 1_000);
  });

  it('counts data and error frames apart', () => {
    const { outlet, frames, take } = made();
    take(1);
    take(2, frameFlag.error);
    take(3, frameFlag.extended);
    outlet.flush(false);
    expect(frames().at(-1)).toMatchObject({ dataTaken: 2, errorsTaken: 1, dropped: 0 });
  });

  it('keeps what a slow server does not read, in order, and gives it all when it does', () => {
    const { outlet, state, drain, times, take } = made();
    state.isStuck = true;
    outlet.flush(false);
    const sent = Array.from({ length: 20_000 }, (_, k) => k * 100);
    for (const timeUs of sent) take(timeUs);
    outlet.flush(false);
    expect(times()).toEqual([]);
    drain();
    expect(times()).toEqual(sent);
  });

  it('ends only once a slow server has got all that was held, the last look too', async () => {
    const { outlet, state, drain, frames, times, take } = made();
    state.isStuck = true;
    outlet.flush(false);
    const sent = Array.from({ length: 20_000 }, (_, k) => k * 100);
    for (const timeUs of sent) take(timeUs);
    outlet.looked({ received: 7, sent: 0, most: { dataTaken: 5, errorsTaken: 0 }, sure: { dataTaken: 4, errorsTaken: 0 } });
    let hasFinished = false;
    const finished = outlet.finish().then(() => {
      hasFinished = true;
    });
    await Promise.resolve();
    expect(hasFinished).toBe(false);
    drain();
    await finished;
    expect(times()).toEqual(sent);
    expect(frames().filter(({ look }) => look.received === 7)).toHaveLength(1);
  });

  it('sends a look that came behind the last frames before it ends', async () => {
    const { outlet, state, drain, frames } = made();
    state.isStuck = true;
    outlet.flush(false);
    outlet.looked({ received: 7, sent: 0, most: { dataTaken: 5, errorsTaken: 0 }, sure: { dataTaken: 4, errorsTaken: 0 } });
    const finished = outlet.finish();
    drain();
    await finished;
    expect(frames().map(({ look }) => look.received)).toEqual([-1, 7]);
  });

  it('promises no watermark for frames that are still to follow', () => {
    const { outlet, state, drain, frames, take } = made();
    state.isStuck = true;
    outlet.flush(false);
    for (let k = 0; k < 20_000; k++) take(k * 100);
    state.nowUs = 3_000_000;
    outlet.flush(false);
    drain();
    let promised = -2;
    for (const { batch, watermarkUs } of frames()) {
      for (let i = 0; i < batch.count; i++) expect(batch.timeUs[i]).toBeGreaterThan(promised);
      promised = watermarkUs;
    }
    expect(promised).toBe(2_999_000);
  });

  it('drops and counts what is more than 4 s behind', () => {
    const { outlet, state, drain, frames, times, take } = made();
    state.isStuck = true;
    outlet.flush(false);
    for (let k = 0; k <= 50; k++) take(k * 100_000);
    drain();
    outlet.flush(false);
    expect(times().at(-1)).toBe(4_000_000);
    expect(frames().at(-1)).toMatchObject({ dataTaken: 51, dropped: 10 });
  });

  it('sends a note behind the frames that were seen before it', () => {
    const { outlet, packets, take } = made();
    take(1);
    outlet.note({ note: 'down', detail: 'gone' });
    expect(packets.map((packet) => (packet.kind === 'frames' ? packet.batch.count : packet.note.note))).toEqual([1, 'down']);
  });
});
