// The step in hand: what to do, what it waits for, and the big buttons that settle it.
import { type Signal, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { StepAct, StepView } from '../../server/contract/check-steps.ts';
import type { CheckState } from '../../server/contract/checks.ts';
import { toAddress } from '../router.tsx';
import { CalmStatus, toSpokenSeconds } from '../shell/calm-status.tsx';
import { toDeclaredValue, toShownWord } from '../shell/units.ts';
import { CrankingBouts } from './cranking-bouts.tsx';
import { VerdictRow } from './verdict-list.tsx';
import { toSaid } from './verdict-words.ts';

export interface StepPanelProps {
  state: CheckState;
  step: StepView;
  act(body: Omit<StepAct, 'by'>): void;
}

export function StepPanel({ state, step, act }: StepPanelProps) {
  const heading = useRef<HTMLHeadingElement>(null);
  const typed = useSignal('');
  const chosen = useSignal<number[]>([]);
  const skipping = useSignal(false);
  useEffect(() => heading.current?.focus(), [step.name]);
  const { steps } = state.procedure;
  const number = steps.findIndex(({ name }) => name === step.name) + 1;
  const lastedS = state.seconds - (state.steps[step.name]?.fromS ?? state.seconds);
  const leftS = Math.max(0, (step.waitS ?? step.watch?.forS ?? 0) - lastedS);
  const value = toReading(typed.value, step.reading?.unit ?? '');
  const settle = () =>
    act({
      step: step.name,
      act: 'done',
      ...(step.kind === 'reading' && value !== undefined ? { value } : {}),
      ...(step.kind === 'choose' ? { cylinders: chosen.value } : {}),
    });
  const waits = step.blocking && step.watch !== undefined && (step.watch.until !== undefined || step.watch.verdict !== undefined);
  return (
    <section class="panel step" aria-label="What to do now" data-step={step.name}>
      <p class="quiet">
        Step {number} of {steps.length}
      </p>
      <h2 ref={heading} tabIndex={-1}>
        {step.title}
      </h2>
      <p class="step-say">{toSaid(step)}</p>
      {step.kind === 'reading' && <Reading step={step} typed={typed} onEnter={() => value !== undefined && settle()} />}
      {step.kind === 'choose' && step.choose && <Choice choose={step.choose} chosen={chosen} />}
      {state.result?.bouts && step.watch?.verdict && <CrankingBouts bouts={state.result.bouts} seconds={state.seconds} />}
      {step.arms && (
        <p>
          Blocking items of the <a href={toAddress('checks', 'preparation')}>preparation list</a> must be closed or waived first.
        </p>
      )}
      <CalmStatus class="step-wait" shown={toWaitWords(step, leftS)} spoken={toWaitWords(step, leftS > 0 ? toSpokenSeconds(leftS) : 0)} />
      <StepVerdicts state={state} step={step} />
      {skipping.value ? (
        <Skip
          onSkip={(reason) => act({ step: step.name, act: 'skip', reason })}
          onBack={() => {
            skipping.value = false;
          }}
        />
      ) : (
        <div class="big-acts">
          {!waits && (
            <button type="button" class="button main huge" disabled={step.kind === 'reading' && value === undefined} onClick={settle}>
              {toDoneWords(step, leftS, chosen.value)}
            </button>
          )}
          <button
            type="button"
            class="button huge"
            onClick={() => {
              skipping.value = true;
            }}
          >
            Skip this step
          </button>
        </div>
      )}
    </section>
  );
}

/** In the step's own unit, of what was typed in the unit shown. A comma is a point where people write it so. */
function toReading(text: string, unit: string): number | undefined {
  const value = Number(text.trim().replace(',', '.').replace('−', '-'));
  return text.trim() === '' || !Number.isFinite(value) ? undefined : toDeclaredValue(value, unit);
}

function toWaitWords({ watch, waitS }: StepView, leftS: number): string {
  if (watch?.until !== undefined) return `Waits until ${watch.until}${watch.forS > 0 ? ` for ${watch.forS} s` : ''}`;
  if (watch?.verdict && watch.forS === 0) return 'Waits for it';
  if (leftS > 0) return `Wait ${Math.ceil(leftS)} s`;
  return watch || waitS !== undefined ? 'Long enough' : '';
}

function toDoneWords({ kind, arms }: StepView, leftS: number, chosen: readonly number[]): string {
  if (arms) return 'Arm: ready to fire';
  if (kind === 'choose') return chosen.length === 0 ? 'None clicked' : `Clicked: ${[...chosen].sort((a, b) => a - b).join(', ')}`;
  if (kind === 'reading') return 'Keep this reading';
  if (leftS > 0) return 'Next step anyway';
  return kind === 'confirm' ? 'Done' : 'Next step';
}

function Reading({ step, typed, onEnter }: { step: StepView; typed: Signal<string>; onEnter(): void }) {
  const { unit = '' } = step.reading ?? {};
  return (
    <label class="check-field">
      Reading{unit === '' ? '' : `, ${toShownWord(unit)}`}
      <input
        type="text"
        inputMode="decimal"
        value={typed}
        onInput={(event) => {
          typed.value = event.currentTarget.value;
        }}
        onKeyDown={(event) => event.key === 'Enter' && onEnter()}
      />
    </label>
  );
}

function Choice({ choose, chosen }: { choose: NonNullable<StepView['choose']>; chosen: Signal<number[]> }) {
  const toggle = (cylinder: number) => {
    chosen.value = chosen.value.includes(cylinder) ? chosen.value.filter((one) => one !== cylinder) : [...chosen.value, cylinder];
  };
  return (
    <fieldset class="choice">
      <legend>Cylinders whose injector clicks</legend>
      {choose.from.map((cylinder) => (
        <button
          key={cylinder}
          type="button"
          class="button huge"
          aria-label={`Cylinder ${cylinder}`}
          aria-pressed={chosen.value.includes(cylinder)}
          onClick={() => toggle(cylinder)}
        >
          {cylinder}
        </button>
      ))}
    </fieldset>
  );
}

/** What has been found in this step so far. */
function StepVerdicts({ state, step }: { state: CheckState; step: StepView }) {
  const found = (state.result?.verdicts ?? []).filter(
    ({ code, cylinder, set }) =>
      step.codes.includes(code) &&
      (step.cylinder === undefined || step.cylinder === cylinder) &&
      (step.set === undefined || step.set === set),
  );
  if (found.length === 0) return null;
  return (
    <ol class="plain verdict-rows" aria-live="polite">
      {found.map((verdict) => (
        <VerdictRow key={`${verdict.code} ${verdict.channel ?? verdict.set} ${verdict.say}`} verdict={verdict} />
      ))}
    </ol>
  );
}

function Skip({ onSkip, onBack }: { onSkip(reason: string): void; onBack(): void }) {
  const reason = useSignal('');
  const input = useRef<HTMLInputElement>(null);
  useEffect(() => input.current?.focus(), []);
  const given = reason.value.trim();
  return (
    <form
      class="skip-form"
      onSubmit={(event) => {
        event.preventDefault();
        if (given !== '') onSkip(given);
      }}
    >
      <label class="check-field">
        Why is it skipped? The report says so.
        <input
          ref={input}
          type="text"
          maxLength={400}
          value={reason}
          onInput={(event) => {
            reason.value = event.currentTarget.value;
          }}
        />
      </label>
      <div class="big-acts">
        <button type="submit" class="button main huge" disabled={given === ''}>
          Skip it
        </button>
        <button type="button" class="button huge" onClick={onBack}>
          Don't skip
        </button>
      </div>
    </form>
  );
}
