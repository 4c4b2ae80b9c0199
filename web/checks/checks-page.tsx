// The Checks page: the checks of the first evening in their order, the tests of the wiring, and what earlier runs found.
import './checks.css';
import type { PreparationView } from '../../server/contract/check-steps.ts';
import type { CheckRunSummary, ChecksView } from '../../server/contract/checks.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { toClockText } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { CheckProcedure } from './check-procedure.tsx';
import { useFollowed } from './following.ts';
import { LinePage } from './line-page.tsx';
import { PreparationPage } from './preparation-page.tsx';
import { alwaysSafety, toCheckTitle } from './procedures.ts';
import { RunPage } from './run-page.tsx';
import { UnplugPage } from './unplug-page.tsx';
import { VerdictSign } from './verdict-list.tsx';
import { WigglePage } from './wiggle-page.tsx';

export function ChecksPage({ rest }: PageProps) {
  const [name, number] = rest;
  if (name === 'preparation') return <PreparationPage />;
  if (name === 'run' && number !== undefined) return <RunPage key={number} run={number} />;
  if (name === 'wiggle') return <WigglePage />;
  if (name === 'unplug') return <UnplugPage />;
  if (name === 'line') return <LinePage />;
  return name === undefined ? <Overview /> : <OneCheck key={name} name={name} />;
}

/** A check's steps are the vehicle's: they are asked for. */
function OneCheck({ name }: { name: string }) {
  const { value, problem } = useFollowed<ChecksView>('/api/checks', 5000);
  const procedure = value.value?.procedures.find((one) => one.name === name);
  if (procedure) return <CheckProcedure procedure={procedure} />;
  return (
    <div class="page checks-page">
      <h1>Checks</h1>
      <p class={value.value ? 'problem' : 'quiet'}>
        {value.value ? `This vehicle has no check '${name}'.` : problem.value || 'Asking for it'}
      </p>
      <p>
        <a class="button" href={toAddress('checks')}>
          All checks
        </a>
      </p>
    </div>
  );
}

const wiring = [
  { name: 'line', title: 'Line readings', about: 'Resistance and voltages of the bus, typed from a multimeter' },
  { name: 'wiggle', title: 'Wiggle test', about: 'Move the harness branch by branch, and see what drops out' },
  { name: 'unplug', title: 'Unplug test', about: 'One device at a time: exactly its frames vanish' },
] as const;

function Overview() {
  const { value, problem } = useFollowed<ChecksView>('/api/checks', 2000);
  const runs = value.value?.runs ?? [];
  const running = value.value?.running;
  const procedures = value.value?.procedures ?? [];
  return (
    <div class="page checks-page">
      <h1>Checks</h1>
      <Problem text={problem.value} />
      <ol class="plain check-cards">
        {procedures.map(({ name, title, about }, index) => (
          <li key={name}>
            <a class="check-card" href={toAddress('checks', name)} data-check={name}>
              <span class="check-number" aria-hidden="true">
                {index + 1}
              </span>
              <span class="check-what">
                <span class="check-title">{title}</span>
                <span class="quiet">{about}</span>
                {name === 'preparation' ? (
                  <PreparationState />
                ) : (
                  <CardState last={runs.find((run) => run.check === name)} isRunning={running?.check === name} />
                )}
              </span>
            </a>
          </li>
        ))}
      </ol>
      <h2>Once it runs</h2>
      <ul class="plain check-cards">
        <li>
          <a class="check-card" href={toAddress('history')}>
            <span class="check-what">
              <span class="check-title">After the start</span>
              <span class="quiet">Timing, warm-up, heat cycles, probes, starts beside each other, and the sheets to print</span>
            </span>
          </a>
        </li>
      </ul>
      <h2>Wiring by hand</h2>
      <ul class="plain check-cards">
        {wiring.map(({ name, title, about }) => (
          <li key={name}>
            <a class="check-card" href={toAddress('checks', name)}>
              <span class="check-what">
                <span class="check-title">{title}</span>
                <span class="quiet">{about}</span>
              </span>
            </a>
          </li>
        ))}
      </ul>
      {runs.length > 0 && <Runs runs={runs} />}
      <p class="small quiet">{alwaysSafety}</p>
    </div>
  );
}

function PreparationState() {
  const blocking = useFollowed<PreparationView>('/api/preparation', 5000).value.value?.blocking;
  if (blocking === undefined) return null;
  return (
    <span class="card-state">
      <VerdictSign kind={blocking === 0 ? 'right' : 'not-judged'} />{' '}
      {blocking === 0 ? 'Nothing open that blocks' : `${blocking} open before the first fire`}
    </span>
  );
}

function CardState({ last, isRunning }: { last: CheckRunSummary | undefined; isRunning: boolean }) {
  if (isRunning) return <span class="card-state running">Running now</span>;
  if (!last) return <span class="card-state">Not done yet</span>;
  return (
    <span class="card-state">
      <VerdictSign kind={signOf(last)} /> {toRunWords(last)}, {new Date(last.startedWallMs).toLocaleDateString()}
    </span>
  );
}

/** A run that judged nothing says nothing good. */
function signOf({ ok, right }: CheckRunSummary): 'right' | 'wrong' | 'not-judged' {
  if (!ok) return 'wrong';
  return right > 0 ? 'right' : 'not-judged';
}

function toRunWords({ wrong, right, notJudged, skipped }: CheckRunSummary): string {
  const parts = [wrong > 0 ? `${wrong} wrong` : 'nothing wrong', `${right} right`];
  if (notJudged > 0) parts.push(`${notJudged} not judged`);
  if (skipped > 0) parts.push(`${skipped} skipped`);
  return parts.join(', ');
}

function Runs({ runs }: { runs: CheckRunSummary[] }) {
  return (
    <section aria-labelledby="runs-title">
      <h2 id="runs-title">Earlier runs</h2>
      <ol class="plain run-rows">
        {runs.map((run) => (
          <li key={run.run}>
            <a href={toAddress('checks', 'run', String(run.run))}>
              <VerdictSign kind={signOf(run)} />
              <b>{toCheckTitle(run)}</b>
              <span>{new Date(run.startedWallMs).toLocaleString()}</span>
              <span>{toRunWords(run)}</span>
              <span class="quiet">
                {toClockText(run.seconds)}, {run.vehicle}
              </span>
            </a>
          </li>
        ))}
      </ol>
    </section>
  );
}
