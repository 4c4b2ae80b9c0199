// What the wiggle test sees, frame by frame: how soon a gap is told, what is no gap, counters, errors, spikes.
import { beforeAll, describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { quality } from '../../server/channels/quality.ts';
import { SampleBatch } from '../../server/channels/sample-batch.ts';
import { BusWatch, type WatchEvent } from '../../server/checks/bus-watch.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Frame, Vehicle } from '../../server/definitions/vehicle.ts';

let vehicle: Vehicle;
beforeAll(async () => {
  vehicle = await getVehicle('bus-definitions/garganey');
});

function watching(channels: { index: number; name: string }[] = []) {
  const events: WatchEvent[] = [];
  return { events, watch: new BusWatch(vehicle, (event) => events.push(event), channels) };
}

function one(frame: Frame, timeUs: number, flags = 0): FrameBatch {
  const batch = new FrameBatch();
  const id = flags === frameFlag.error ? 0x20 : (frame.id as number);
  batch.push(
    timeUs,
    frame.bus,
    id,
    flags | (frame.extended ? frameFlag.extended : 0),
    new Uint8Array(frame.lengthBytes),
    0,
    frame.lengthBytes,
  );
  return batch;
}

/** Periodic frames of the demo without a counter, by their period. */
function periodic(): Frame[] {
  return vehicle.buses
    .flatMap((bus) => bus.frames)
    .filter((frame) => frame.periodUs !== undefined && frame.counter === undefined && frame.id !== undefined);
}

describe('a watched bus', () => {
  it('tells a gap within 50 ms of the time at which a frame of up to 200 ms was due, and not before it was', () => {
    const frames = periodic().filter(({ periodUs }) => (periodUs as number) <= 200_000);
    expect(frames.length).toBeGreaterThan(2);
    for (const frame of frames) {
      const { events, watch } = watching();
      const period = frame.periodUs as number;
      for (let i = 0; i < 10; i++) watch.take(one(frame, i * period));
      const lastUs = 9 * period;
      for (let t = lastUs; t <= lastUs + period; t += 1000) watch.pass(t);
      expect(events).toEqual([]);
      for (let t = lastUs + period; t <= lastUs + period + 50_000; t += 1000) watch.pass(t);
      expect(events.map(({ kind, device }) => [kind, device])).toEqual([['gap', frame.device]]);
    }
  });

  it('takes jitter of half a period of a quick frame for no gap', () => {
    const frame = periodic().sort((a, b) => (a.periodUs as number) - (b.periodUs as number))[0] as Frame;
    const period = frame.periodUs as number;
    const { events, watch } = watching();
    for (let i = 0; i < 50; i++) watch.take(one(frame, i * period + (i % 2) * 0.45 * period));
    expect(events).toEqual([]);
  });

  it('tells one event of a burst of error frames, and another when they begin again', () => {
    const frame = periodic()[0] as Frame;
    const { events, watch } = watching();
    for (const t of [0, 10_000, 20_000, 900_000]) watch.take(one(frame, t, frameFlag.error));
    expect(events.map(({ kind, timeUs }) => [kind, timeUs])).toEqual([
      ['error', 0],
      ['error', 900_000],
    ]);
  });

  it('tells once of a channel that jumps, and once of one that loses its value', () => {
    const signal = vehicle.buses
      .flatMap((bus) => bus.frames.flatMap((frame) => frame.signals))
      .find(({ name }) => name === 'exhaust_temp_1');
    const index = signal?.channel as number;
    const { events, watch } = watching([{ index, name: 'exhaust_temp_1' }]);
    const samples = new SampleBatch();
    samples.push(index, 0, 400, quality.ok);
    samples.push(index, 50_000, 410, quality.ok);
    samples.push(index, 100_000, 900, quality.ok);
    samples.push(index, 150_000, 0, quality.fault);
    samples.push(index, 200_000, 0, quality.fault);
    watch.takeSamples(samples);
    expect(events.map(({ kind, channel, timeUs }) => [kind, channel, timeUs])).toEqual([
      ['spike', 'exhaust_temp_1', 100_000],
      ['spike', 'exhaust_temp_1', 150_000],
    ]);
  });

  it('knows who was never heard', () => {
    const { watch } = watching();
    const frame = periodic()[0] as Frame;
    watch.take(one(frame, 0));
    expect(watch.absentDevices()).not.toContain(frame.device);
    expect(watch.absentDevices().length).toBeGreaterThan(1);
  });
});
