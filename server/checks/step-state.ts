// How far a procedure is: what a person did in each step, and the stretch of time that it took. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Procedure } from './procedure.ts';

export interface StepState {
  state: 'open' | 'done' | 'skipped';
  /** When it began and ended, seconds from the beginning of the check. */
  fromS?: number;
  toS?: number;
  /** What was typed. */
  value?: number;
  /** What was chosen. */
  cylinders?: number[];
  /** Why it was skipped. */
  reason?: string;
  by?: string;
  wallMs?: number;
}

/** A check that is led step by step. */
export interface Guide {
  procedure: Procedure;
  steps: Record<string, StepState>;
}

export interface Stretch {
  fromUs: number;
  toUs: number;
  /** Somebody said that it is done. */
  closed: boolean;
}

/**
 * When a step was taken, in the time of the recording. 'whole' where nobody leads, or the procedure has no such step: then all of the
 * recording is looked at. Undefined while the step has not begun, and when it was skipped.
 */
export function stretchOf(guide: Guide | undefined, name: string, series: SeriesSet): Stretch | 'whole' | undefined {
  if (!guide?.procedure.steps.some((step) => step.name === name)) return 'whole';
  const step = guide.steps[name];
  if (step?.fromS === undefined || step.state === 'skipped') return undefined;
  const fromUs = series.startUs + step.fromS * 1e6;
  const toUs = step.toS === undefined ? series.endUs : series.startUs + step.toS * 1e6;
  return { fromUs, toUs, closed: step.state === 'done' };
}

/** Something that was done in a step. */
export interface StepEvent {
  step: string;
  outcome: 'begun' | 'done' | 'skipped';
  /** From the beginning of the check. */
  seconds: number;
  value?: number;
  cylinders?: number[];
  reason?: string;
  by: string;
  wallMs: number;
}

/** How far a procedure is; `current` is the step in hand, undefined when all are settled. */
export interface Progress {
  steps: Record<string, StepState>;
  current: string | undefined;
}

const takenMinS = 1;

/** A procedure at its beginning: its first step is in hand. */
export function beginProgress({ steps }: Procedure): Progress {
  const [first] = steps;
  return first ? { steps: { [first.name]: { state: 'open', fromS: 0 } }, current: first.name } : { steps: {}, current: undefined };
}

/** The progress after an event. A settled step may be begun again; settling one takes the next open one in hand. */
export function applyStepEvent(procedure: Procedure, before: Progress, event: StepEvent): Progress {
  const steps = { ...before.steps };
  const { step, outcome, seconds } = event;
  const left = before.current === undefined ? undefined : steps[before.current];
  if (before.current !== undefined && before.current !== step && left?.state === 'open') {
    // One that only stood there because it came next was not taken.
    if (seconds - (left.fromS ?? seconds) < takenMinS) delete steps[before.current];
    else steps[before.current] = { ...left, toS: seconds };
  }
  if (outcome === 'begun') {
    steps[step] = { state: 'open', fromS: seconds };
    return { steps, current: step };
  }
  const { value, cylinders, reason, by, wallMs } = event;
  steps[step] = {
    state: outcome,
    fromS: steps[step]?.fromS ?? seconds,
    toS: seconds,
    by,
    wallMs,
    ...(value === undefined ? {} : { value }),
    ...(cylinders === undefined ? {} : { cylinders }),
    ...(reason === undefined ? {} : { reason }),
  };
  const current = nextOpen(procedure, steps, step);
  if (current !== undefined) steps[current] = { state: 'open', fromS: seconds };
  return { steps, current };
}

function nextOpen({ steps: all }: Procedure, steps: Progress['steps'], settled: string): string | undefined {
  const at = all.findIndex(({ name }) => name === settled);
  const inTurn = [...all.slice(at + 1), ...all.slice(0, at)];
  return inTurn.find(({ name }) => (steps[name]?.state ?? 'open') === 'open')?.name;
}

/** The step that must be settled before `step`; undefined when nothing holds it. */
export function blockerOf(procedure: Procedure, steps: Progress['steps'], step: string): string | undefined {
  const at = procedure.steps.findIndex(({ name }) => name === step);
  return procedure.steps.slice(0, Math.max(0, at)).find(({ name, blocking }) => blocking && (steps[name]?.state ?? 'open') === 'open')
    ?.title;
}
