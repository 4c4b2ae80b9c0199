// A seeded trace of bus traffic as frames really come: periodic ids with jitter, counters, slow readings and noise in their bytes.
import { FrameBatch } from '../../server/bus/frame-batch.ts';

/** Deterministic random numbers (mulberry32): 0 to 1. */
export function randomFrom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export interface TraceOptions {
  seed: number;
  seconds: number;
  /** Periodic ids; their periods are 10, 20, 50, 100 and 1000 ms by turns. */
  ids: number;
  buses?: number;
  startUs?: number;
}

interface Sender {
  bus: number;
  id: number;
  periodUs: number;
  nextUs: number;
  level: number;
  counter: number;
}

const periodsMs = [10, 20, 20, 50, 100, 10, 1000];

/** All frames in time order; no two frames of one bus at the same microsecond. */
export function canTrace({ seed, seconds, ids, buses = 1, startUs = 0 }: TraceOptions): FrameBatch {
  const random = randomFrom(seed);
  const senders: Sender[] = Array.from({ length: ids }, (_, i) => ({
    bus: i % buses,
    id: 0x100 + i * 7,
    periodUs: (periodsMs[i % periodsMs.length] as number) * 1000,
    nextUs: startUs + Math.floor(random() * 10_000),
    level: Math.floor(random() * 4000),
    counter: 0,
  }));
  const all: { timeUs: number; bus: number; id: number; bytes: Uint8Array }[] = [];
  for (const sender of senders) {
    for (; sender.nextUs < startUs + seconds * 1e6; sender.nextUs += sender.periodUs) {
      const jitterUs = Math.floor(random() * random() * 400);
      all.push({ timeUs: sender.nextUs + jitterUs, bus: sender.bus, id: sender.id, bytes: payload(sender, random) });
    }
  }
  all.sort((a, b) => a.timeUs - b.timeUs || a.bus - b.bus);
  const batch = new FrameBatch(all.length);
  const lastUs = new Array<number>(buses).fill(-1);
  for (const { timeUs, bus, id, bytes } of all) {
    const us = Math.max(timeUs, (lastUs[bus] as number) + 1);
    lastUs[bus] = us;
    batch.push(us, bus, id, 0, bytes, 0, bytes.length);
  }
  sortByTime(batch, buses);
  return batch;
}

/** Bytes 0..1 a reading that wanders, 2..3 a noisy one, 4 states, 5 nothing, 6 a slow one, 7 a counter. */
function payload(sender: Sender, random: () => number): Uint8Array {
  sender.level = Math.max(0, Math.min(65_535, sender.level + Math.floor((random() - 0.5) * 12)));
  sender.counter = (sender.counter + 1) & 0xf;
  const noisy = 2000 + Math.floor(random() * 64);
  return Uint8Array.of(
    sender.level >> 8,
    sender.level & 0xff,
    noisy >> 8,
    noisy & 0xff,
    random() < 0.01 ? 3 : 1,
    0,
    (sender.level >> 6) & 0xff,
    sender.counter,
  );
}

/** Moving frames of one bus apart by a microsecond may put them behind those of another: order is by time, then bus. */
function sortByTime(batch: FrameBatch, buses: number): void {
  if (buses === 1) return;
  const order = Array.from({ length: batch.count }, (_, i) => i);
  order.sort((a, b) => (batch.timeUs[a] as number) - (batch.timeUs[b] as number) || (batch.bus[a] as number) - (batch.bus[b] as number));
  const sorted = new FrameBatch(batch.count);
  for (const i of order) sorted.pushFrom(batch, i);
  Object.assign(batch, sorted);
}
