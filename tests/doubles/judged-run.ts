// Runs a scenario of the simulator through one of the checks, as `evenburn check` does with a recording.
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { type JudgeOptions, judgeRecording } from '../../server/checks/judge-recording.ts';
import type { CheckResult, JudgedCheck } from '../../server/checks/verdict.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { readScenario } from './simulated-run.ts';

export interface Played {
  stages: string[];
  start?: 'cold' | 'warm' | 'hot';
  seed?: number;
  faults?: string[];
  /** Only this long from the first frame, as a page sees a growing recording. */
  seconds?: number;
}

export const usualStart = [
  'stage: key_on, for: 4 s',
  'stage: oil_crank, for: 7 s',
  'stage: stop, for: 3 s',
  'stage: start, for: 6 s',
  'stage: idle, for: 12 s',
  'stage: stop, for: 3 s',
];

export async function judgePlayed(check: JudgedCheck, vehicle: Vehicle, played: Played, options: JudgeOptions = {}): Promise<CheckResult> {
  const list = (items: readonly string[]) => items.map((item) => `  - { ${item} }\n`).join('');
  const faults = played.faults && played.faults.length > 0 ? `faults:\n${list(played.faults)}` : '';
  const text = `scenario: t\nseed: ${played.seed ?? 1}\nstart: ${played.start ?? 'cold'}\nstages:\n${list(played.stages)}${faults}`;
  const batch = new FrameBatch(4096);
  const play = (untilUs: number) => {
    batch.clear();
    const simulation = new Simulation(vehicle, readScenario(text, vehicle));
    simulation.advance(Math.min(untilUs, simulation.lengthUs), batch);
  };
  play(played.seconds === undefined ? Number.POSITIVE_INFINITY : 3e6);
  if (played.seconds !== undefined) play((batch.timeUs[0] as number) + played.seconds * 1e6);
  return judgeRecording(check, [batch] as unknown as AsyncIterable<FrameBatch>, vehicle, options);
}

/** Verdicts that are not ok, each as `code subject`. */
export function badOf(result: CheckResult): string[] {
  return result.verdicts
    .filter(({ ok }) => !ok)
    .map((v) => [v.code, v.cylinder ?? v.set ?? v.group ?? v.channel ?? v.device].filter((part) => part !== undefined).join(' '));
}
