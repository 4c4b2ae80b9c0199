// All steps of a procedure with what was done in each; a tap goes to one, or does it again.
import type { ProcedureView, StepStateView } from '../../server/contract/check-steps.ts';
import { shownUnit, toQuantityText } from '../shell/units.ts';

export interface StepOutlineProps {
  procedure: ProcedureView;
  steps: Record<string, StepStateView>;
  current: string | null;
  /** Left out on paper: the steps are only read. */
  onGo?: (step: string) => void;
}

export function StepOutline({ procedure, steps, current, onGo }: StepOutlineProps) {
  return (
    <section aria-labelledby="outline-title">
      <h2 id="outline-title">Steps</h2>
      <ol class="plain step-rows">
        {procedure.steps.map((step) => {
          const state = steps[step.name];
          const kind = current === step.name ? 'current' : (state?.state ?? 'open');
          const what = (
            <>
              <span class="step-mark" aria-hidden="true">
                {marks[kind]}
              </span>
              <span class="step-name">{step.title}</span>
              <span class="quiet">{toStateWords(kind, state, step.reading?.unit)}</span>
            </>
          );
          return (
            <li key={step.name} data-step={step.name} data-state={kind}>
              {onGo && kind !== 'current' ? (
                <button type="button" class="button step-row" onClick={() => onGo(step.name)}>
                  {what}
                </button>
              ) : (
                <span class="step-row" aria-current={kind === 'current' ? 'step' : undefined}>
                  {what}
                </span>
              )}
            </li>
          );
        })}
      </ol>
    </section>
  );
}

type Kind = 'current' | StepStateView['state'];

/** Shape beside the words. */
const marks: Record<Kind, string> = { current: '▶', open: '○', done: '✓', skipped: '–' };

function toStateWords(kind: Kind, state: StepStateView | undefined, unit = ''): string {
  if (kind === 'current') return 'in hand';
  if (!state || state.state === 'open') return 'open';
  const by = state.by ? `, ${state.by}` : '';
  const when = state.wallMs === undefined ? '' : `, ${new Date(state.wallMs).toLocaleTimeString()}`;
  if (state.state === 'skipped') return `skipped: ${state.reason ?? ''}${by}${when}`;
  const value =
    state.value === undefined ? '' : `: ${toQuantityText(state.value, unit, shownUnit(unit).unit === unit ? { digits: 1 } : {})}`;
  const clicked = state.cylinders === undefined ? '' : `: ${state.cylinders.length === 0 ? 'none clicked' : state.cylinders.join(', ')}`;
  return `done${value}${clicked}${by}${when}`;
}
