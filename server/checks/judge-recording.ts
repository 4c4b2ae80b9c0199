// Runs one of the checks over a recording's frames.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { checkBus } from './bus-check.ts';
import { TrafficLog } from './bus-traffic.ts';
import type { CheckResult } from './verdict.ts';

export interface JudgeOptions {
  /** Probe check: cylinders in the order in which their probes were warmed; from 1 upward when not given. */
  order?: number[];
}

/** Judges frames in time order; rejects only when reading them does. */
export async function judgeRecording(
  check: CheckResult['check'],
  frames: AsyncIterable<FrameBatch>,
  vehicle: Vehicle,
  options: JudgeOptions,
): Promise<CheckResult> {
  return judges[check](frames, vehicle, options);
}

type Judge = (frames: AsyncIterable<FrameBatch>, vehicle: Vehicle, options: JudgeOptions) => Promise<CheckResult>;

const judges: Record<CheckResult['check'], Judge> = {
  bus: async (frames, vehicle) => {
    const traffic = new TrafficLog(vehicle);
    for await (const batch of frames) traffic.take(batch);
    return checkBus(traffic);
  },
};
