// A scripted bus: every device of a vehicle sends its frames on time, and a script takes frames away, adds or changes them.
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { placeRaw } from '../../server/codec/encoder.ts';
import type { Device, Frame, Vehicle } from '../../server/definitions/vehicle.ts';

export interface ScriptedFrame {
  timeUs: number;
  bus: number;
  id: number;
  flags: number;
  data: Uint8Array;
  device: string;
  frame: string;
}

/** Numbers in [0, 1) from a seed (mulberry32, public domain). */
export function randomFrom(seed: number): () => number {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
}

export interface Healthy {
  seconds: number;
  seed: number;
  /** Times that a device is not powered: its counters begin again behind each, at a new phase. */
  powerOff?: { device: string; fromS: number; toS: number }[];
  /** Devices that run a clock so much too slow: 1.5 sends every frame one and a half periods apart. */
  slow?: Record<string, number>;
}

/** All frames of a healthy vehicle, unsorted within a frame's jitter; payloads move, counters count. */
export function healthyFrames(vehicle: Vehicle, script: Healthy): ScriptedFrame[] {
  const random = randomFrom(script.seed);
  const frames: ScriptedFrame[] = [];
  for (const bus of vehicle.buses) for (const device of bus.devices) addDevice(frames, device, script, random);
  return frames.sort((a, b) => a.timeUs - b.timeUs);
}

function addDevice(frames: ScriptedFrame[], device: Device, script: Healthy, random: () => number): void {
  const offs = (script.powerOff ?? []).filter((off) => off.device === device.name);
  let fromUs = random() * 900_000;
  for (const off of [...offs, { fromS: script.seconds, toS: script.seconds }]) {
    for (const frame of device.frames) addFrames(frames, device, frame, fromUs, off.fromS * 1e6, script.slow?.[device.name] ?? 1, random);
    fromUs = off.toS * 1e6;
  }
}

function addFrames(
  frames: ScriptedFrame[],
  device: Device,
  frame: Frame,
  fromUs: number,
  toUs: number,
  slow: number,
  random: () => number,
): void {
  const periodUs = (frame.periodUs ?? 500_000) * slow * (1 + (random() - 0.5) * 0.002);
  const counter = frame.signals.find((signal) => signal.name === frame.counter);
  const phaseUs = random() * periodUs;
  for (let count = 0; ; count++) {
    const timeUs = Math.round(fromUs + phaseUs + count * periodUs + random() * 0.04 * periodUs);
    if (timeUs >= toUs) return;
    const data = new Uint8Array(frame.lengthBytes).map(() => Math.floor(random() * 200));
    if (counter) placeRaw(data, counter, BigInt(count) % (1n << BigInt(counter.bitLength)));
    const flags = frame.extended ? frameFlag.extended : 0;
    const id = frame.id ?? 0x18000000 | ((frame.pgn ?? 0) << 8) | 0x21;
    frames.push({ timeUs, bus: device.bus, id, flags, data, device: device.name, frame: frame.name });
  }
}

/** An error frame as the Linux kernel gives it. */
export function errorFrame(timeUs: number, bus: number, classes: number, bytes: number[]): ScriptedFrame {
  return { timeUs, bus, id: classes, flags: frameFlag.error, data: Uint8Array.from(bytes), device: '', frame: '' };
}

/** Sorted by time into one batch. `shiftUs` moves all, as recorded files have absolute times. */
export function toBatch(frames: readonly ScriptedFrame[], shiftUs = 1_700_000_000_000_000): FrameBatch {
  const batch = new FrameBatch(frames.length + 1);
  for (const frame of [...frames].sort((a, b) => a.timeUs - b.timeUs)) {
    batch.push(frame.timeUs + shiftUs, frame.bus, frame.id, frame.flags, frame.data, 0, frame.data.length);
  }
  return batch;
}
