// Made traffic for the signal finder: sixty ids with noise, counters, slow and fast fields, and one vehicle file that knows them.
import { FrameBatch } from '../../server/bus/frame-batch.ts';

/** Numbers from 0 to 1, the same for the same seed (mulberry32). */
export function randomOf(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), state | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export interface MadeField {
  id: number;
  startBit: number;
  bitLength: number;
  byteOrder: 'little' | 'big';
  signed: boolean;
  /** Raw value at a time in seconds. */
  raw: (s: number) => number;
}

/** Writes a raw value bit by bit, as device files number them; on purpose not the program's encoder. */
export function writeField(bytes: Uint8Array, { startBit, bitLength, byteOrder }: MadeField, raw: number): void {
  const pattern = BigInt.asUintN(bitLength, BigInt(Math.round(raw)));
  for (let k = 0; k < bitLength; k++) {
    const one = Number((pattern >> BigInt(k)) & 1n);
    let bit = startBit + k;
    if (byteOrder === 'big') {
      const fromLeft = (startBit >> 3) * 8 + 7 - (startBit & 7) + bitLength - 1 - k;
      bit = (fromLeft >> 3) * 8 + 7 - (fromLeft & 7);
    }
    const mask = 1 << (bit & 7);
    bytes[bit >> 3] = one ? (bytes[bit >> 3] as number) | mask : (bytes[bit >> 3] as number) & ~mask;
  }
}

/**
 * Sixty ids at 10 to 100 ms for some seconds: bytes of noise, walks, rolling counters and constants; then the given fields over them.
 * Padding of frames is 0xFF.
 */
export function makeTraffic(fields: readonly MadeField[], { seconds = 30, seed = 1, ids = 60 } = {}): FrameBatch {
  const random = randomOf(seed);
  const own = new Map<number, MadeField[]>();
  for (const field of fields) own.set(field.id, [...(own.get(field.id) ?? []), field]);
  const known = [...own.keys()];
  const others = Array.from({ length: Math.max(0, ids - known.length) }, (_, i) => 0x400 + i);
  const events: { atUs: number; id: number; n: number }[] = [];
  for (const id of [...known, ...others]) {
    const periodUs = [10_000, 20_000, 50_000, 100_000][Math.floor(random() * 4)] as number;
    const shiftUs = Math.floor(random() * periodUs);
    for (let n = 0; n * periodUs + shiftUs < seconds * 1e6; n++) events.push({ atUs: n * periodUs + shiftUs, id, n });
  }
  events.sort((a, b) => a.atUs - b.atUs || a.id - b.id);
  const walks = new Map(others.map((id) => [id, new Float64Array(8).map(() => random() * 4000)]));
  const batch = new FrameBatch(events.length, events.length * 8);
  for (const { atUs, id, n } of events) {
    const bytes = new Uint8Array(8).fill(0xff);
    const walk = walks.get(id);
    if (walk) fillOther(bytes, walk, id, n, random);
    for (const field of own.get(id) ?? []) writeField(bytes, field, field.raw(atUs / 1e6));
    batch.push(atUs, 0, id, 0, bytes, 0, 8);
  }
  return batch;
}

function fillOther(bytes: Uint8Array, walk: Float64Array, id: number, n: number, random: () => number): void {
  const step = id % 7;
  for (let k = 0; k < 8; k += 2) {
    walk[k] = Math.abs((walk[k] as number) + (random() - 0.5) * (10 + step * 8)) % 65536;
    const raw = Math.floor(walk[k] as number);
    bytes[k] = raw & 0xff;
    bytes[k + 1] = raw >> 8;
  }
  bytes[6] = n & 0xff;
  bytes[7] = id % 3 === 0 ? 0xff : Math.floor(random() * 256);
}
