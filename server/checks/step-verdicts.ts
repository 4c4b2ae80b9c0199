// What steps themselves come to: readings typed, injectors that clicked, conditions waited for, and what was skipped. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { type Procedure, type Step, toWatchChannel } from './procedure.ts';
import { amount, said } from './said.ts';
import type { Guide, StepState } from './step-state.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { heldFor, watch } from './watch.ts';

/** Adds to a check's answer what its steps say; `met` names the steps whose condition has come. */
export function judgeSteps(result: CheckResult, guide: Guide, series: SeriesSet | undefined): CheckResult & { met: string[] } {
  const kept = withoutSkipped(result, guide);
  const met: string[] = [];
  for (const step of guide.procedure.steps) {
    const state = guide.steps[step.name];
    if (!state || state.state === 'skipped') continue;
    if (step.reading && state.value !== undefined) kept.verdicts.push(judgeReading(step, state.value, state));
    if (step.choose && state.state === 'done' && state.cylinders) kept.verdicts.push(judgeChoice(step.choose, state.cylinders, state));
    if (step.watch?.until !== undefined && series) judgeCondition(step, state, series, kept, met);
    if (step.watch?.verdict && isMet(step, kept.verdicts)) met.push(step.name);
  }
  return { ...kept, met };
}

/** Verdicts of a skipped step are not given: it says who skipped it, and why. */
function withoutSkipped(result: CheckResult, { procedure, steps }: Guide): CheckResult {
  const skipped = procedure.steps.filter(({ name }) => steps[name]?.state === 'skipped');
  return {
    ...result,
    verdicts: result.verdicts.filter((verdict) => !skipped.some((step) => isOf(step, verdict))),
    notJudged: [
      ...(result.notJudged ?? []),
      ...skipped.map((step) => {
        const { reason = '', by = '' } = steps[step.name] ?? {};
        return { what: `${step.title}: skipped${by === '' ? '' : ` by ${by}`}`, line: `nothing: ${reason}` };
      }),
    ],
  };
}

/** Whether a verdict is what a step is for. */
export function isOf(step: Step, { code, cylinder, set }: Verdict): boolean {
  const ofCylinder = step.cylinder === undefined || step.cylinder === cylinder;
  return step.codes.includes(code) && ofCylinder && (step.set === undefined || step.set === set);
}

function isMet({ watch: waited, cylinder }: Step, verdicts: readonly Verdict[]): boolean {
  const wanted = waited?.verdict;
  return verdicts.some(
    (verdict) =>
      verdict.ok &&
      verdict.code === wanted?.code &&
      (wanted.phase === undefined || verdict.phase === wanted.phase) &&
      (wanted.steady === undefined || verdict.steady === wanted.steady) &&
      (cylinder === undefined || verdict.cylinder === cylinder),
  );
}

const atOf = ({ toS, fromS }: StepState): { at: number } | object => {
  const at = toS ?? fromS;
  return at === undefined ? {} : { at: Number(at.toFixed(3)) };
};

function judgeReading({ name, title, reading }: Step, value: number, state: StepState): Verdict {
  const { unit = '', min, max } = reading ?? {};
  const low = min !== undefined && value < min;
  const high = max !== undefined && value > max;
  const inUnit = (number: number) => amount(number, unit);
  const limit = low ? min : high ? max : undefined;
  return {
    code: 'reading',
    ok: !low && !high,
    step: name,
    ...atOf(state),
    measured: value,
    ...(limit === undefined ? {} : { limit }),
    ...(unit === '' ? {} : { unit }),
    ...said`${title}: ${inUnit(value)}${limit === undefined ? '' : said`, ${low ? 'below' : 'above'} ${inUnit(limit)}`}`,
  };
}

function judgeChoice(choose: NonNullable<Step['choose']>, clicked: readonly number[], state: StepState): Verdict {
  const { set, group, expected } = choose;
  const sorted = [...clicked].sort((a, b) => a - b);
  const ok = sorted.join() === [...expected].sort((a, b) => a - b).join();
  const list = (cylinders: readonly number[]) => (cylinders.length === 0 ? 'no injector' : `cylinder ${cylinders.join(', ')}`);
  const what = group === undefined ? `injector ${expected.join(', ')} of ${set}` : `group ${group} of ${set}`;
  return {
    code: group === undefined ? 'injector-swapped' : 'group-wiring',
    ok,
    set,
    ...(group === undefined ? { cylinder: expected[0] as number } : { group }),
    ...atOf(state),
    found: sorted,
    measured: sorted.join(', '),
    limit: expected.join(', '),
    say: ok ? `${what} clicks at ${list(sorted)}` : `${what} clicks at ${list(sorted)} instead of ${list(expected)}`,
    ...(ok ? {} : { next: sorted.length === 0 ? 'Look at its plug, its feed and its driver’s wire.' : nextOf(group) }),
  };
}

function nextOf(group: string | undefined): string {
  return group === undefined
    ? 'Swap the plugs, or the outputs in the engine controller.'
    : 'Move the plugs, or write the found plan to vehicle.yaml.';
}

/** Right when the condition held long enough; wrong when its time is over, or the step was left without. */
function judgeCondition({ name, title, watch: waited }: Step, state: StepState, series: SeriesSet, kept: CheckResult, met: string[]): void {
  if (!waited || state.fromS === undefined) return;
  const fromUs = series.startUs + state.fromS * 1e6;
  const toUs = state.toS === undefined ? series.endUs : series.startUs + state.toS * 1e6;
  const condition = watch(series, toWatchChannel(name), '');
  // A condition that is unknown is not met.
  const held = condition && heldFor(condition, fromUs, toUs, waited.forS * 1e6, (value) => value !== 0);
  const lastedS = (toUs - fromUs) / 1e6;
  const limitS = waited.withinS;
  const at = (timeUs: number) => Math.round(timeUs - series.startUs) / 1e6;
  const inTime = held && (limitS === undefined || (held.fromUs - fromUs) / 1e6 <= limitS);
  if (inTime) met.push(name);
  if (!inTime && state.state !== 'done' && (limitS === undefined || lastedS < limitS)) return;
  kept.verdicts.push({
    code: 'step-condition',
    ok: inTime === true,
    step: name,
    at: at(held ? held.fromUs : toUs),
    measured: held ? Number(((held.fromUs - fromUs) / 1e6).toFixed(1)) : null,
    ...(limitS === undefined ? {} : { limit: limitS }),
    say: held
      ? `${title}: came after ${((held.fromUs - fromUs) / 1e6).toFixed(1)} s`
      : `${title}: did not come in ${lastedS.toFixed(0)} s (${waited.until})`,
  });
}

/** A check that has no judge of its own: its steps are all there is. */
export function emptyResult(check: Procedure['name'], series: SeriesSet): CheckResult {
  return { check, frames: series.frames, seconds: (series.endUs - series.startUs) / 1e6, verdicts: [], notJudged: [] };
}
