// The frames of a stored session for whatever judges recordings, by the buses of the vehicle that judges.
import { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { SessionFile } from './session-file.ts';

/** Bus index of one definition set → that of another, by name; -1 where the other has no such bus. Of two with one bus each, that one. */
export function busesByName(from: Vehicle, to: Vehicle): Int16Array {
  if (from.buses.length === 1 && to.buses.length === 1) return Int16Array.of(0);
  return Int16Array.from(from.buses, ({ name }) => to.buses.findIndex((bus) => bus.name === name));
}

/**
 * Frames of a session in their order; those on a bus that `vehicle` doesn't have are left out.
 * @param fromUs What was recorded well before may be left out.
 * @throws EvenburnError SESSION_UNKNOWN, SESSION_DAMAGED, SESSION_TOO_NEW
 */
export async function* readSessionFrames(data: string, session: number, vehicle: Vehicle, fromUs?: number): AsyncGenerator<FrameBatch> {
  const file = SessionFile.open(data, session);
  try {
    let buses = busesByName(file.vehicle, vehicle);
    for (const input of file.record(fromUs)) {
      if (input.kind === 'definitions') buses = busesByName(input.vehicle, vehicle);
      else if (input.kind === 'frames') yield onBuses(input.batch, buses);
    }
  } finally {
    file.close();
  }
}

/** Puts frames on other bus indices, in place where none is left out. */
export function onBuses(batch: FrameBatch, buses: Int16Array): FrameBatch {
  let missing = false;
  for (let i = 0; i < batch.count; i++) if ((buses[batch.bus[i] as number] ?? -1) < 0) missing = true;
  if (!missing) {
    for (let i = 0; i < batch.count; i++) batch.bus[i] = buses[batch.bus[i] as number] as number;
    return batch;
  }
  const kept = new FrameBatch(batch.count);
  for (let i = 0; i < batch.count; i++) {
    const bus = buses[batch.bus[i] as number] ?? -1;
    if (bus < 0) continue;
    kept.pushFrom(batch, i);
    kept.bus[kept.count - 1] = bus;
  }
  return kept;
}

/** The definitions that a session began with. */
export function readSessionVehicle(data: string, session: number): Vehicle {
  const file = SessionFile.open(data, session);
  try {
    return file.vehicle;
  } finally {
    file.close();
  }
}
