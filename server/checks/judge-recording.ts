// Runs one of the checks over a recording's frames.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { GatheredCheck, type JudgeOptions } from './gathered-check.ts';
import type { CheckResult, JudgedCheck } from './verdict.ts';

export type { JudgeOptions } from './gathered-check.ts';

/** Judges frames in time order; rejects only when reading them does. */
export async function judgeRecording(
  check: JudgedCheck,
  frames: AsyncIterable<FrameBatch>,
  vehicle: Vehicle,
  options: JudgeOptions,
): Promise<CheckResult> {
  const gathered = new GatheredCheck(check, vehicle, options);
  for await (const batch of frames) gathered.take(batch);
  gathered.finish();
  return gathered.judge();
}
