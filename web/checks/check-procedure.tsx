// One check on the live bus: safety first, then one step at a time, with the verdicts as they come; the same in every browser.
import { useSignal } from '@preact/signals';
import type { ProcedureView, StepAct } from '../../server/contract/check-steps.ts';
import type { CheckRun, CheckState } from '../../server/contract/checks.ts';
import { WriterField, writer } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { toClockText, toCountText } from '../shell/numbers.ts';
import { sendJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { CheckPage } from './check-page.tsx';
import { type Followed, useFollowed } from './following.ts';
import { alwaysSafety } from './procedures.ts';
import { StepOutline } from './step-outline.tsx';
import { StepPanel } from './step-panel.tsx';
import { VerdictList } from './verdict-list.tsx';

const refreshMs = 400;

/** Who does it, for the report. */
export const signed = (): { by?: string } => (writer.value.trim() === '' ? {} : { by: writer.value.trim() });

export function CheckProcedure({ procedure }: { procedure: ProcedureView }) {
  const followed = useFollowed<CheckState | null>('/api/checks/running', refreshMs);
  const running = followed.value.value;
  return (
    <CheckPage title={procedure.title} problem={followed.problem.value}>
      {running && running.check !== procedure.name && <OtherRuns other={running} />}
      {running?.check === procedure.name && <Running state={running} followed={followed} />}
      {running === null && <Begin procedure={procedure} followed={followed} />}
    </CheckPage>
  );
}

function OtherRuns({ other }: { other: CheckState }) {
  return (
    <section class="panel page-note">
      <h2>Running now: {other.procedure.title}</h2>
      <p>One check runs at a time, the same for every browser. Finish it first.</p>
      <a class="button main glove" href={toAddress('checks', other.check)}>
        Go to it
      </a>
    </section>
  );
}

function Begin({ procedure, followed }: { procedure: ProcedureView; followed: Followed<CheckState | null> }) {
  const begin = () => followed.attempt(() => sendJson('POST', '/api/checks/running', { check: procedure.name, ...signed() }));
  return (
    <>
      <p>{procedure.about}</p>
      {procedure.safety.length > 0 && (
        <section class="panel safety" aria-label="Before you begin">
          <h2>Before you begin</h2>
          <ul>
            {procedure.safety.map((line) => (
              <li key={line}>{line}</li>
            ))}
          </ul>
          <p class="small quiet">{alwaysSafety}</p>
        </section>
      )}
      {procedure.steps.length === 0 ? (
        <p class="problem">The vehicle file has nothing for this check yet: docs/checks.md says which lines would let it be.</p>
      ) : (
        <ol class="step-outline">
          {procedure.steps.map(({ name, title }) => (
            <li key={name}>{title}</li>
          ))}
        </ol>
      )}
      <WriterField />
      <div class="big-acts">
        <button type="button" class="button main huge" disabled={procedure.steps.length === 0} onClick={() => void begin()}>
          Begin
        </button>
      </div>
    </>
  );
}

function Running({ state, followed }: { state: CheckState; followed: Followed<CheckState | null> }) {
  const { result, procedure, steps, current } = state;
  const dropping = useSignal(false);
  const act = (body: Omit<StepAct, 'by'>) =>
    void followed.attempt(() => sendJson('POST', '/api/checks/running/steps', { ...body, ...signed() }));
  const finish = () =>
    void followed.attempt(async () => {
      const run = await sendJson<CheckRun>('POST', '/api/checks/running/finish', {});
      location.hash = toAddress('checks', 'run', String(run.run));
    });
  const step = procedure.steps.find(({ name }) => name === current);
  return (
    <>
      <p class="quiet run-line">
        Running for <span class="step-clock">{toClockText(state.seconds)}</span>, begun by {state.by}
        {state.resumed ? '. The program was started anew meanwhile; what had been recorded was looked at again' : ''}
      </p>
      {step ? (
        <StepPanel key={step.name} state={state} step={step} act={act} />
      ) : (
        <section class="panel step" aria-label="What to do now">
          <h2>All steps are settled</h2>
          <p class="step-say">Finish and keep the run, or tap a step below to do it again.</p>
        </section>
      )}
      <div class="big-acts">
        <button type="button" class={step ? 'button huge' : 'button main huge'} onClick={finish}>
          Finish and keep
        </button>
        {dropping.value ? (
          <button
            type="button"
            class="button huge"
            onClick={() => void followed.attempt(() => sendJson('DELETE', '/api/checks/running', undefined))}
          >
            Really drop it: nothing is kept
          </button>
        ) : (
          <button
            type="button"
            class="button huge"
            onClick={() => {
              dropping.value = true;
            }}
          >
            Drop it
          </button>
        )}
      </div>
      <StepOutline procedure={procedure} steps={steps} current={current} onGo={(name) => act({ step: name, act: 'begin' })} />
      <Cautions state={state} />
      <section aria-label="Verdicts so far" data-judged={result !== null}>
        {result === null ? <p>Listening. The first verdicts come in a moment.</p> : <VerdictList result={result} run="running" />}
      </section>
    </>
  );
}

/** What the person must know of the evidence itself. */
function Cautions({ state }: { state: CheckState }) {
  const { vehicle, link } = useFeed();
  const hash = vehicle.value?.hash;
  const { result } = state;
  return (
    <>
      {link.value !== 'live' && <p class="problem">No live data reaches this page: what stands here may be old.</p>}
      {state.unseenFrames > 0 && (
        <p class="problem">
          {toCountText(state.unseenFrames)} frames were lost before this check saw them: gaps may be ours, not the bus's.
        </p>
      )}
      {state.full && <p class="problem">As much as fits has been gathered; later frames are not looked at. Finish, and begin anew.</p>}
      {hash !== undefined && hash !== state.definitionHash && (
        <p class="problem">The definition files were saved since this check began: it still judges by the old ones. Begin anew.</p>
      )}
      {result && (
        <p class="small quiet">
          {toCountText(result.frames)} frames in {toClockText(result.seconds)}
          {result.loadPercent === undefined ? '' : `, load ${result.loadPercent.toFixed(1)} %`}
        </p>
      )}
    </>
  );
}
