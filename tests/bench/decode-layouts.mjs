// The layouts and frames of the decoding benchmark, seeded: both byte orders, two multiplexed frames in forty, six signals a frame.
import { FrameBatch } from '../../dist/server/bus/frame-batch.js';

export const signalsPerFrame = 6;

/** Deterministic numbers from 0 to 1 (mulberry32). */
export function seeded(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4294967296;
  };
}

const at = { file: 'bench', line: 1, column: 1 };
const widths = [16, 12, 8, 10, 12, 6];

/** A vehicle of `frameCount` frames of 8 bytes with six signals each. */
export function benchVehicle(frameCount) {
  const random = seeded(41);
  const frames = [];
  let channel = 0;
  for (let f = 0; f < frameCount; f++) {
    const big = random() < 0.5;
    const multiplexed = f % 20 === 7;
    let from = 0;
    const signals = widths.map((bitLength, s) => {
      const place = from;
      if (!(multiplexed && s === 3)) from += bitLength;
      return {
        name: `f${f}_s${s}`,
        channel: channel++,
        startBit: big ? (place & ~7) | (7 - (place & 7)) : place,
        bitLength,
        byteOrder: big ? 'big' : 'little',
        sign: random() < 0.3 ? 'signed' : 'unsigned',
        factor: [0.1, 0.01, 0.125, 1, 0.03125, 0.5][Math.floor(random() * 6)],
        offset: [0, -40, -50, 273.15][Math.floor(random() * 4)],
        unit: '',
        ...(random() < 0.5 ? { min: -40000, max: 60000 } : {}),
        fault: random() < 0.5 ? [{ from: BigInt(2 ** bitLength - 1), to: BigInt(2 ** bitLength - 1) }] : [],
        notAvailable: random() < 0.25 ? [{ from: BigInt(2 ** bitLength - 2), to: BigInt(2 ** bitLength - 2) }] : [],
        states: new Map(),
        when: [],
        at,
      };
    });
    if (multiplexed) {
      // Signals 3 and 4 begin at the same bit, on different pages of signal 0.
      signals[3].when = [{ signal: signals[0].name, ranges: [{ from: 0n, to: 32767n }] }];
      signals[4].when = [{ signal: signals[0].name, ranges: [{ from: 32768n, to: 65535n }] }];
    }
    frames.push({
      name: `f${f}`,
      bus: 0,
      device: 'bench',
      id: f % 4 === 3 ? 0x18f00000 + f * 0x101 : 0x100 + f * 3,
      extended: f % 4 === 3,
      fd: false,
      lengthBytes: 8,
      signals,
      at,
    });
  }
  return { name: 'bench', buses: [{ name: 'bench', index: 0, bitRate: 500000, devices: [], frames, at }] };
}

/** Frames with random bytes; every definition once in each stretch, in a shuffled order; one in 500 is short. */
export function benchFrames(vehicle, count) {
  const random = seeded(7);
  const definitions = vehicle.buses[0].frames;
  const batch = new FrameBatch(count);
  const bytes = new Uint8Array(8);
  const order = definitions.map((_, i) => i);
  for (let i = 0; i < count; i++) {
    const k = i % order.length;
    if (k === 0) shuffle(order, random);
    const { id, extended } = definitions[order[k]];
    for (let b = 0; b < 8; b++) bytes[b] = Math.floor(random() * 256);
    batch.push(i * 120, 0, id, extended ? 1 : 0, bytes, 0, random() < 0.002 ? 5 : 8);
  }
  return batch;
}

function shuffle(order, random) {
  for (let i = order.length - 1; i > 0; i--) {
    const k = Math.floor(random() * (i + 1));
    [order[i], order[k]] = [order[k], order[i]];
  }
}
