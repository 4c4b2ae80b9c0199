// Writes frames as a recorded file: text log or pcapng, batch by batch.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { BusChoice } from './intake.ts';
import { PcapngWriter } from './pcapng-writer.ts';
import { toTextLog } from './text-log-writer.ts';

/** Turns batches into the bytes of a file, in order: `begin` once, then `frames` for each batch. Does no I/O. */
export interface FrameWriter {
  begin(): Buffer;
  frames(batch: FrameBatch): Buffer;
}

/** The name by which a bus goes in a file, and is found again when the file is read with the same vehicle. */
export function interfaceNames(buses: BusChoice): string[] {
  return buses.map((bus) => bus.interface ?? bus.name);
}

/** @param buses Buses of the vehicle, in the order of their index. */
export function createFrameWriter(format: 'log' | 'pcapng', buses: BusChoice): FrameWriter {
  const names = interfaceNames(buses);
  if (format === 'pcapng') return new PcapngWriter(names);
  return { begin: () => Buffer.alloc(0), frames: (batch) => toTextLog(batch, names) };
}
