// What the server's main thread and the worker that judges live checks say to each other.
import { FrameBatch } from '../bus/frame-batch.ts';
import type { WatchEvent } from '../checks/bus-watch.ts';
import type { JudgeOptions } from '../checks/gathered-check.ts';
import type { UnplugStep } from '../checks/unplug-test.ts';
import type { CheckResult } from '../checks/verdict.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

/** How a check begins to gather. */
export interface GatheringStart {
  check: string;
  options: JudgeOptions;
  /** Session time, microseconds. */
  fromUs: number;
  /** Of a check that was begun before the server was started anew: what had been recorded is looked at first. */
  resumed?: {
    data: string;
    /** When the check was begun: time 0 of what is gathered. */
    begunWallMs: number;
    /** Sessions that began later come live. */
    untilWallMs: number;
    /** Added to the times of live frames, microseconds. */
    shiftUs: number;
  };
}

/** A frame batch as it crosses threads. */
export type PlainBatch = Pick<FrameBatch, 'count' | 'timeUs' | 'bus' | 'id' | 'flags' | 'length' | 'offset' | 'data' | 'dataEnd'>;

export type ToCheckWorker =
  | ({ kind: 'check'; vehicle: Vehicle } & GatheringStart)
  /** The steps went on. */
  | { kind: 'options'; options: JudgeOptions }
  /** Judges for the last time and forgets it. */
  | { kind: 'finish' }
  | { kind: 'watch'; vehicle: Vehicle; channels: string[] }
  | { kind: 'unplug'; device: string }
  | { kind: 'unwatch' }
  | { kind: 'frames'; batch: PlainBatch }
  | { kind: 'mark'; timeUs: number };

export type FromCheckWorker =
  /** `full`: as much as fits is gathered, later frames are not looked at. */
  | { kind: 'result'; result: CheckResult; full: boolean; last: boolean }
  | { kind: 'events'; events: WatchEvent[] }
  | { kind: 'devices'; silent: string[]; limping: string[]; absent: string[]; unplug: UnplugStep | null }
  /** So many frames have been dealt with. */
  | { kind: 'taken'; frames: number };

/** A copy that owns exactly its bytes, and the buffers to be handed over with it. */
export function toPlainBatch(batch: FrameBatch): { plain: PlainBatch; buffers: ArrayBuffer[] } {
  const { count, dataEnd } = batch;
  const plain: PlainBatch = {
    count,
    dataEnd,
    timeUs: batch.timeUs.slice(0, count),
    bus: batch.bus.slice(0, count),
    id: batch.id.slice(0, count),
    flags: batch.flags.slice(0, count),
    length: batch.length.slice(0, count),
    offset: batch.offset.slice(0, count),
    data: batch.data.slice(0, dataEnd),
  };
  const { timeUs, bus, id, flags, length, offset, data } = plain;
  return { plain, buffers: [timeUs, bus, id, flags, length, offset, data].map((column) => column.buffer as ArrayBuffer) };
}

export function fromPlainBatch(plain: PlainBatch): FrameBatch {
  const batch = new FrameBatch(0);
  const { buffer, byteOffset, byteLength } = plain.data;
  return Object.assign(batch, plain, { view: new DataView(buffer, byteOffset, byteLength) });
}
