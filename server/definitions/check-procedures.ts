// The steps of checks as a vehicle file changes or adds them: names that must be there, conditions that must be formulas.
import { locate, type VehicleText } from './bus-members.ts';
import { limitGroups } from './check-schema.ts';
import { toSuggestion } from './nearest-name.ts';
import type { Fault } from './problem.ts';
import type { ProcedureText, StepText } from './vehicle.ts';
import { checkFormulaAt, type RuleContext } from './watch-rules.ts';
import type { Path } from './yaml-text.ts';

/** A check that every vehicle has: its name and its steps' names. */
export interface UsualProcedure {
  name: string;
  steps: readonly { name: string }[];
}

/** What is wrong with a limit of a check; `key` is where. */
export interface LimitFault {
  key: string;
  say: string;
  fix: string;
}

type CheckText = NonNullable<NonNullable<ReturnType<NonNullable<VehicleText['checks']>['get']>>>;
type StepGiven = NonNullable<NonNullable<CheckText['steps']>[number]>;

/**
 * What `checks:` says of steps; a check of which only limits are given is left out. Faults go to the context's problems.
 *
 * @param limitFaults What is wrong with the limits of a check: only the checks know theirs.
 */
export function resolveProcedures(
  text: VehicleText,
  context: RuleContext,
  usual: readonly UsualProcedure[],
  limitFaults: (check: string, said: object) => readonly LimitFault[],
): ProcedureText[] {
  return [...(text.checks ?? [])].flatMap(([name, check]) => {
    if (!check) return [];
    const path: Path = ['checks', name];
    const known = usual.find((procedure) => procedure.name === name);
    if (!known && !limitGroups.includes(name)) checkOwn(name, check, path, context, usual);
    for (const { key, say, fix } of limitFaults(name, check)) {
      context.problems.addAtKey(context.file, [...path, key], { code: 'LIMIT_NOT_UNDERSTOOD', say, fix });
    }
    const { title, about, safety, steps } = check;
    if (title === undefined && about === undefined && safety === undefined && steps === undefined) return [];
    return [
      {
        name,
        ...(title === undefined ? {} : { title }),
        ...(about === undefined ? {} : { about }),
        ...(safety === undefined ? {} : { safety: safety.filter((line) => line !== undefined) }),
        ...(steps === undefined ? {} : { steps: resolveSteps(steps, [...path, 'steps'], context, known) }),
        at: locate(context.file, path),
      },
    ];
  });
}

/** A check of a name that no usual one has is the user's own, and has steps; limits belong to none. */
function checkOwn(name: string, check: CheckText, path: Path, { file, problems }: RuleContext, usual: readonly UsualProcedure[]): void {
  const known = ['title', 'about', 'safety', 'steps'];
  for (const key of Object.keys(check).filter((one) => !known.includes(one))) {
    const say = `'${name}' is a check of your own and has no limit '${key}'`;
    const names = [...usual.map((one) => one.name), ...limitGroups];
    problems.addAtKey(file, [...path, key], { code: 'KEY_UNKNOWN', say, fix: `Limits belong to ${names.join(', ')}.` });
  }
  if (check.steps !== undefined) return;
  const fix = `Add 'steps: [...]', or name one that there is: ${usual.map((one) => one.name).join(', ')}.`;
  problems.addAtKey(file, path, { code: 'KEY_MISSING', say: `the check '${name}' has no steps`, fix });
}

function resolveSteps(
  steps: readonly (StepGiven | undefined)[],
  path: Path,
  context: RuleContext,
  known: UsualProcedure | undefined,
): StepText[] {
  const { file, problems } = context;
  const names = new Set<string>();
  return steps.flatMap((step, i) => {
    if (step?.step === undefined) return [];
    const at = [...path, i];
    const named = isNamedAlone(file.data, at) ? at : [...at, 'step'];
    const fault = names.has(step.step) ? twice(step.step) : isUsual(step, known) ? undefined : faultOfOwn(step, known);
    names.add(step.step);
    if (fault) problems.addAtValue(file, named, fault);
    if (step.reading && step.watch) problems.addAtKey(file, [...at, 'watch'], bothKinds);
    if (step.watch?.until !== undefined) checkFormulaAt(step.watch.until, [...at, 'watch', 'until'], context);
    if (step.watch && !('until' in step.watch) && !('for' in step.watch))
      problems.addAtValue(file, [...at, 'watch'], {
        code: 'KEY_MISSING',
        say: "'watch' waits for nothing",
        fix: "Add 'until: <condition>', or 'for: 5 s'.",
      });
    return [toStepText(step)];
  });
}

/** `- zeros` instead of `- step: zeros`. */
function isNamedAlone(data: unknown, path: Path): boolean {
  let value = data;
  for (const part of path) value = value instanceof Map ? value.get(part) : Array.isArray(value) ? value[part as number] : undefined;
  return typeof value === 'string';
}

function isUsual({ step }: StepGiven, known: UsualProcedure | undefined): boolean {
  return known?.steps.some(({ name }) => name === step) === true;
}

/** A step of the user's own needs a heading, or it is a slip of the pen in the name of a usual one. */
function faultOfOwn({ step, title }: StepGiven, known: UsualProcedure | undefined): Fault | undefined {
  if (title !== undefined) return undefined;
  const names = (known?.steps ?? []).map(({ name }) => name);
  if (names.length === 0)
    return { code: 'KEY_MISSING', say: `the step '${step}' has no title`, fix: "Add 'title: ...': it heads the step." };
  return {
    code: 'STEP_UNKNOWN',
    say: `no usual step '${step}'`,
    fix: `${toSuggestion(step ?? '', names)} One of your own needs a 'title'.`,
  };
}

const twice = (name: string): Fault => ({ code: 'NAME_DUPLICATE', say: `a second step '${name}'`, fix: 'Choose another name.' });

const bothKinds: Fault = {
  code: 'KEY_CONFLICT',
  say: "a step has either 'reading' or 'watch'",
  fix: 'Make two steps of it.',
};

function toStepText({ step, title, say, wait, reading, watch, blocking }: StepGiven): StepText {
  return {
    name: step ?? '',
    ...(title === undefined ? {} : { title }),
    ...(say === undefined ? {} : { say }),
    ...(wait === undefined ? {} : { waitS: wait }),
    ...(reading === undefined ? {} : { reading: { unit: reading.unit ?? '', ...without(reading) } }),
    ...(watch === undefined
      ? {}
      : {
          watch: {
            ...(watch.until === undefined ? {} : { until: watch.until }),
            forS: watch.for ?? 0,
            ...(watch.within === undefined ? {} : { withinS: watch.within }),
          },
        }),
    ...(blocking === undefined ? {} : { blocking }),
  };
}

function without({ min, max }: { min?: number | undefined; max?: number | undefined }): { min?: number; max?: number } {
  return { ...(min === undefined ? {} : { min }), ...(max === undefined ? {} : { max }) };
}
