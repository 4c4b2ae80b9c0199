// A seeded trace for the benchmarks of recording: sixty periodic ids with jitter, 3,300 frames/s, payloads as engine devices send them.
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';

/** mulberry32: 0 to 1. */
export function randomFrom(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

const periodsMs = [10, 10, 10, 20, 20, 20, 20, 20, 50, 50, 100, 1000];

/**
 * Frames in time order. Bytes: a reading that wanders (two bytes), one with noise of six bits (two bytes), a state, a constant, a slow
 * reading, and a counter of four bits. Jitter: some 100 µs, as a bus with other senders makes it. `times` makes all of them come so many
 * times as often.
 */
export function busTrace({ seed = 1, seconds, ids = 60, bus = 0, times = 1 }) {
  const random = randomFrom(seed);
  const senders = Array.from({ length: ids }, (_, i) => ({
    id: 0x100 + i * 10,
    periodUs: Math.round((periodsMs[i % periodsMs.length] * 1000) / times),
    nextUs: Math.floor(random() * 10_000),
    level: Math.floor(random() * 40_000),
    counter: 0,
  }));
  const frames = [];
  for (const sender of senders) {
    for (; sender.nextUs < seconds * 1e6; sender.nextUs += sender.periodUs) {
      const jitterUs = Math.floor((random() + random() + random()) * 100);
      sender.level = Math.max(0, Math.min(65_535, sender.level + Math.floor((random() - 0.5) * 12)));
      sender.counter = (sender.counter + 1) & 15;
      const noisy = 2000 + Math.floor(random() * 64);
      frames.push({
        timeUs: sender.nextUs + jitterUs,
        id: sender.id,
        bytes: [
          sender.level >> 8,
          sender.level & 255,
          noisy >> 8,
          noisy & 255,
          random() < 0.01 ? 3 : 1,
          0,
          (sender.level >> 6) & 255,
          sender.counter,
        ],
      });
    }
  }
  frames.sort((a, b) => a.timeUs - b.timeUs || a.id - b.id);
  const batch = new FrameBatch(frames.length);
  let lastUs = -1;
  for (const { timeUs, id, bytes } of frames) {
    lastUs = Math.max(lastUs + 1, timeUs);
    batch.push(lastUs, bus, id, 0, Uint8Array.from(bytes), 0, 8);
  }
  return batch;
}

/** Definition files in which every byte of the trace is a signal: 60 ids, 300 signals. */
export function traceFiles(ids = 60) {
  const lines = ['device: box', 'title: Box of the benchmark', 'frames:'];
  for (let i = 0; i < ids; i++) {
    lines.push(
      `  - { name: frame_${i}, id: ${0x100 + i * 10}, length: 8, period: ${periodsMs[i % periodsMs.length]} ms, signals: [`,
      `      { name: level_${i}, bytes: 0..1, byte_order: big, factor: 0.1, offset: -50 }, { name: noisy_${i}, bytes: 2..3, byte_order: big, factor: 0.25 },`,
      `      { name: state_${i}, bytes: 4 }, { name: slow_${i}, bytes: 6, factor: 0.5 }, { name: counter_${i}, bytes: 7 } ] }`,
    );
  }
  return [
    { path: 'vehicle.yaml', text: 'vehicle: Bench\nbuses:\n  main: { bit_rate: 1 Mbit/s, interface: can0, devices: [box] }\n' },
    { path: 'devices/box.yaml', text: `${lines.join('\n')}\n` },
  ];
}

/** Frames `from` up to `to` as a batch of their own. */
export function part(trace, from, to) {
  const batch = new FrameBatch(to - from);
  for (let i = from; i < to; i++) batch.pushFrom(trace, i);
  return batch;
}

/** Stretches of 100 ms: what one commit holds. */
export function commitsOf(trace) {
  const parts = [];
  for (let from = 0; from < trace.count; ) {
    let to = from;
    while (to < trace.count && trace.timeUs[to] < trace.timeUs[from] + 100_000) to++;
    parts.push(part(trace, from, to));
    from = to;
  }
  return parts;
}
