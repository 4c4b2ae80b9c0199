// One check on the live bus: safety first, then one step at a time, with the verdicts as they come.
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { CheckRun, CheckState } from '../../server/contract/checks.ts';
import { toAddress } from '../router.tsx';
import { toClockText, toCountText } from '../shell/numbers.ts';
import { sendJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { type Followed, useFollowed } from './following.ts';
import { alwaysSafety, getProcedure, type Procedure } from './procedures.ts';
import { StopWord } from './stop-word.tsx';
import { VerdictList } from './verdict-list.tsx';

const refreshMs = 400;

export function CheckProcedure({ procedure }: { procedure: Procedure }) {
  const followed = useFollowed<CheckState | null>('/api/checks/running', refreshMs);
  const running = followed.value.value;
  return (
    <div class="page checks-page">
      <p>
        <a class="button" href={toAddress('checks')}>
          All checks
        </a>
      </p>
      <h1>{procedure.title} check</h1>
      {followed.problem.value && (
        <p class="problem" role="alert">
          {followed.problem}
        </p>
      )}
      {running && running.check !== procedure.check && <OtherRuns other={running} />}
      {running?.check === procedure.check && <Running procedure={procedure} state={running} followed={followed} />}
      {running === null && <Begin procedure={procedure} followed={followed} />}
    </div>
  );
}

function OtherRuns({ other }: { other: CheckState }) {
  return (
    <section class="panel page-note">
      <h2>The {getProcedure(other.check).title} check is running</h2>
      <p>One check runs at a time, the same for every browser. Finish it first.</p>
      <a class="button main glove" href={toAddress('checks', other.check)}>
        Go to it
      </a>
    </section>
  );
}

function Begin({ procedure, followed }: { procedure: Procedure; followed: Followed<CheckState | null> }) {
  const order = useSignal('');
  const isProbes = procedure.check === 'probes';
  const begin = () => {
    const cylinders = order.value
      .split(/[\s,]+/)
      .filter(Boolean)
      .map(Number);
    const body = { check: procedure.check, ...(cylinders.length > 0 ? { order: cylinders } : {}) };
    void followed.attempt(() => sendJson('POST', '/api/checks/running', body));
  };
  return (
    <>
      <p>{procedure.about}</p>
      <section class="panel safety" aria-label="Before you begin">
        <h2>Before you begin</h2>
        <ul>
          {procedure.safety.map((line) => (
            <li key={line}>{line}</li>
          ))}
        </ul>
        <p class="small quiet">{alwaysSafety}</p>
      </section>
      <ol class="step-outline">
        {procedure.steps.map(({ title }) => (
          <li key={title}>{title}</li>
        ))}
      </ol>
      {isProbes && (
        <label class="check-field">
          Order in which you warm them (cylinders; empty: from 1 upward)
          <input
            type="text"
            inputMode="numeric"
            placeholder="1 2 3 4 5 6"
            value={order}
            onInput={(event) => {
              order.value = event.currentTarget.value;
            }}
          />
        </label>
      )}
      <div class="big-acts">
        <button type="button" class="button main huge" onClick={begin}>
          Begin
        </button>
      </div>
    </>
  );
}

function Running({ procedure, state, followed }: { procedure: Procedure; state: CheckState; followed: Followed<CheckState | null> }) {
  const { result } = state;
  const finish = () =>
    void followed.attempt(async () => {
      const run = await sendJson<CheckRun>('POST', '/api/checks/running/finish', {});
      location.hash = toAddress('checks', 'run', String(run.run));
    });
  return (
    <>
      {procedure.check === 'first-start' && result && <StopWord result={result} seconds={state.seconds} />}
      <Steps
        procedure={procedure}
        seconds={state.seconds}
        order={state.order}
        onFinish={finish}
        onDrop={() => void followed.attempt(() => sendJson('DELETE', '/api/checks/running', undefined))}
      />
      <Cautions state={state} />
      <section aria-label="Verdicts so far" data-judged={result !== null}>
        {result === null ? <p>Listening. The first verdicts come in a moment.</p> : <VerdictList result={result} soFar />}
      </section>
    </>
  );
}

interface StepsProps {
  procedure: Procedure;
  seconds: number;
  order: number[] | undefined;
  onFinish(): void;
  onDrop(): void;
}

/** One step at a time. Which one is this browser's affair: the check itself listens all the while. */
function Steps({ procedure, seconds, order, onFinish, onDrop }: StepsProps) {
  const step = useSignal(0);
  const beganS = useSignal(seconds);
  const { steps } = procedure;
  const now = steps[step.value] as Procedure['steps'][number];
  const isLast = step.value === steps.length - 1;
  const left = now.waitS === undefined ? 0 : Math.max(0, now.waitS - (seconds - beganS.value));
  const heading = useRef<HTMLHeadingElement>(null);
  const go = (to: number) => {
    step.value = to;
    beganS.value = seconds;
  };
  useEffect(() => heading.current?.focus(), [step.value]);
  return (
    <section class="panel step" aria-label="What to do now">
      <p class="quiet">
        Step {step.value + 1} of {steps.length}, running for <span class="step-clock">{toClockText(seconds)}</span>
      </p>
      <h2 ref={heading} tabIndex={-1}>
        {now.title}
      </h2>
      <p class="step-say">{now.say}</p>
      {procedure.check === 'probes' && step.value > 0 && <Order order={order} />}
      <p class="step-wait" role="status">
        {left > 0 ? `Wait ${Math.ceil(left)} s` : now.waitS === undefined ? '' : 'Long enough'}
      </p>
      <div class="big-acts">
        {!isLast && (
          <button type="button" class="button main huge" onClick={() => go(step.value + 1)}>
            {left > 0 ? 'Next step anyway' : 'Next step'}
          </button>
        )}
        <button type="button" class={isLast ? 'button main huge' : 'button huge'} onClick={onFinish}>
          Finish and keep
        </button>
        {step.value > 0 && (
          <button type="button" class="button huge" onClick={() => go(step.value - 1)}>
            Back
          </button>
        )}
        <button type="button" class="button huge" onClick={onDrop}>
          Drop it
        </button>
      </div>
    </section>
  );
}

function Order({ order }: { order: number[] | undefined }) {
  const cylinders = useFeed().vehicle.value?.engine?.cylinders.map(({ cylinder }) => cylinder) ?? [];
  const list = order ?? [...cylinders].sort((a, b) => a - b);
  return <p class="step-order">Order: {list.join(', ')}</p>;
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
