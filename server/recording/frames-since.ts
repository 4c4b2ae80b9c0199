// The frames of all sessions since a moment of wall time, one session behind the other, as a check looks at them that outlived a new start.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { startedWallMsOf } from './catalogue.ts';
import { sessionNumbers } from './data-folder.ts';
import { SessionFile } from './session-file.ts';
import { readSessionFrames } from './session-frames.ts';

/**
 * Times are microseconds since `fromWallMs`. A batch is valid until the next step; sessions that can't be read are left out.
 * @param untilWallMs Sessions that began at or behind it are left out.
 */
export async function* framesSince(data: string, vehicle: Vehicle, fromWallMs: number, untilWallMs: number): AsyncGenerator<FrameBatch> {
  const found = sessionNumbers(data)
    .flatMap((session) => timesOf(data, session) ?? [])
    .filter(({ startedWallMs, endedWallMs }) => endedWallMs >= fromWallMs && startedWallMs < untilWallMs)
    .sort((a, b) => a.startedWallMs - b.startedWallMs);
  for (const { session, startedWallMs, firstUs } of found) {
    const shiftUs = Math.round((startedWallMs - fromWallMs) * 1000) - firstUs;
    for await (const batch of readSessionFrames(data, session, vehicle, -shiftUs)) {
      const kept = behind(batch, -shiftUs);
      if (!kept) continue;
      for (let i = 0; i < kept.count; i++) kept.timeUs[i] = (kept.timeUs[i] as number) + shiftUs;
      yield kept;
    }
  }
}

function timesOf(
  data: string,
  session: number,
): { session: number; startedWallMs: number; endedWallMs: number; firstUs: number } | undefined {
  try {
    const file = SessionFile.open(data, session);
    try {
      const { firstUs, lastUs, frames } = file.facts;
      const startedWallMs = startedWallMsOf(file);
      return frames === 0 ? undefined : { session, startedWallMs, endedWallMs: startedWallMs + (lastUs - firstUs) / 1000, firstUs };
    } finally {
      file.close();
    }
  } catch {
    return undefined;
  }
}

/** The batch without the frames before a time; undefined when none is left. */
function behind(batch: FrameBatch, fromUs: number): FrameBatch | undefined {
  let first = 0;
  while (first < batch.count && (batch.timeUs[first] as number) < fromUs) first++;
  if (first === batch.count) return undefined;
  if (first === 0) return batch;
  const kept = Object.assign(Object.create(Object.getPrototypeOf(batch)) as FrameBatch, batch);
  for (const column of ['timeUs', 'bus', 'id', 'flags', 'length', 'offset'] as const) kept[column] = batch[column].slice(first) as never;
  kept.count = batch.count - first;
  return kept;
}
