// A check as a procedure: steps that a person confirms, reads or chooses, and steps in which the tool watches. Pure.
import type { ProcedureText, StepText, Vehicle } from '../definitions/vehicle.ts';
import type { Said } from './said.ts';
import { usualProcedures } from './usual-procedures.ts';

export interface StepWatch {
  /** A condition on channels; absent: the step is a stretch of time in which the check itself looks. */
  until?: string;
  /** Met by a verdict of the check that is right. */
  verdict?: { code: string; phase?: string; steady?: boolean };
  /** How long the condition must hold, or the stretch lasts, seconds. */
  forS: number;
  /** Wrong when it has not come after so long. */
  withinS?: number;
}

export interface Step {
  /** Unique in its procedure. */
  name: string;
  title: string;
  say: string;
  /** The same, with its amounts apart from the words. */
  sayParts?: Said['sayParts'];
  kind: 'confirm' | 'reading' | 'watch' | 'choose';
  /** How long it takes at least, seconds; a person may go on earlier. */
  waitS?: number;
  /** Of `reading`: unit ('' for none) and what is right. */
  reading?: { unit: string; min?: number; max?: number };
  /** Of `watch`. */
  watch?: StepWatch;
  /** Of `choose`: which injectors of a set clicked, of these cylinders. */
  choose?: { set: string; group?: string; expected: number[]; from: number[] };
  /** Codes of the verdicts that this step is for: skipped, they are not judged. */
  codes: string[];
  /** The cylinder that the step is about. */
  cylinder?: number;
  set?: string;
  /** Later steps wait until it is settled. */
  blocking: boolean;
  /** The engine may be fired from here on: blocking items of the preparation list must be settled. */
  arms?: boolean;
}

export interface Procedure {
  name: string;
  title: string;
  /** What it answers, in a line. */
  about: string;
  /** Read before it begins. */
  safety: string[];
  steps: Step[];
}

/** All checks of a vehicle in the order of the first evening: the usual ones as the file changes them, then the file's own. */
export function buildProcedures(vehicle: Vehicle): Procedure[] {
  const usual = usualProcedures(vehicle);
  const names = new Set(usual.map(({ name }) => name));
  const changed = usual.map((procedure) => {
    const change = vehicle.procedures.find(({ name }) => name === procedure.name);
    return change ? withChange(procedure, change) : procedure;
  });
  const own = vehicle.procedures.flatMap((one) => (names.has(one.name) || !one.steps ? [] : [toOwnProcedure(one)]));
  return [...changed, ...own];
}

export function findProcedure(vehicle: Vehicle, name: string): Procedure | undefined {
  return buildProcedures(vehicle).find((procedure) => procedure.name === name);
}

function withChange(usual: Procedure, { title, about, safety, steps }: ProcedureText): Procedure {
  return {
    ...usual,
    ...(title === undefined ? {} : { title }),
    ...(about === undefined ? {} : { about }),
    ...(safety === undefined ? {} : { safety }),
    ...(steps === undefined ? {} : { steps: steps.map((step) => toStep(step, usual.steps)) }),
  };
}

function toOwnProcedure({ name, title, about, safety, steps }: ProcedureText): Procedure {
  return { name, title: title ?? name, about: about ?? '', safety: safety ?? [], steps: (steps ?? []).map((step) => toStep(step, [])) };
}

function toStep(step: StepText, usual: readonly Step[]): Step {
  const known = usual.find(({ name }) => name === step.name);
  const { name, title, say, waitS, reading, watch, blocking } = step;
  const { sayParts, ...more } = known ?? { name, codes: [] };
  const kind = reading ? 'reading' : watch ? 'watch' : (known?.kind ?? 'confirm');
  return {
    ...more,
    title: title ?? known?.title ?? name,
    say: say ?? known?.say ?? '',
    ...(say === undefined && sayParts ? { sayParts } : {}),
    kind,
    blocking: blocking ?? known?.blocking ?? false,
    ...(waitS === undefined ? {} : { waitS }),
    ...(reading ? { reading } : {}),
    ...(watch ? { watch } : {}),
  };
}

/** Name of the channel that a step's condition becomes while the check runs. */
export function toWatchChannel(step: string): string {
  return `step_${step.toLowerCase().replace(/[^a-z0-9]+/g, '_')}_condition`;
}

/** The vehicle with a channel for each condition that a step waits for. */
export function withWatchChannels(vehicle: Vehicle, { steps }: Procedure): Vehicle {
  const at = { file: 'vehicle.yaml', line: 1, column: 1 };
  const watched = steps.flatMap(({ name, watch }) =>
    watch?.until === undefined ? [] : [{ name: toWatchChannel(name), formula: watch.until, unit: '', at }],
  );
  return watched.length === 0 ? vehicle : { ...vehicle, derived: [...vehicle.derived, ...watched] };
}
