// The Checks page: the checks of the first evening in their order, the tests of the wiring, and what earlier runs found.
import './checks.css';
import type { CheckRunSummary, ChecksView } from '../../server/contract/checks.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { toClockText } from '../shell/numbers.ts';
import { CheckProcedure } from './check-procedure.tsx';
import { useFollowed } from './following.ts';
import { LinePage } from './line-page.tsx';
import { alwaysSafety, findProcedure, procedures } from './procedures.ts';
import { RunPage } from './run-page.tsx';
import { UnplugPage } from './unplug-page.tsx';
import { VerdictSign } from './verdict-list.tsx';
import { WigglePage } from './wiggle-page.tsx';

export function ChecksPage({ rest }: PageProps) {
  const [name, number] = rest;
  const procedure = findProcedure(name);
  if (procedure) return <CheckProcedure key={name} procedure={procedure} />;
  if (name === 'run' && number !== undefined) return <RunPage key={number} run={number} />;
  if (name === 'wiggle') return <WigglePage />;
  if (name === 'unplug') return <UnplugPage />;
  if (name === 'line') return <LinePage />;
  return <Overview />;
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
  return (
    <div class="page checks-page">
      <h1>Checks</h1>
      {problem.value && (
        <p class="problem" role="alert">
          {problem}
        </p>
      )}
      <ol class="plain check-cards">
        {procedures.map(({ check, title, about }, index) => (
          <li key={check}>
            <a class="check-card" href={toAddress('checks', check)} data-check={check}>
              <span class="check-number" aria-hidden="true">
                {index + 1}
              </span>
              <span class="check-what">
                <span class="check-title">{title}</span>
                <span class="quiet">{about}</span>
                <CardState last={runs.find((run) => run.check === check)} isRunning={running?.check === check} />
              </span>
            </a>
          </li>
        ))}
      </ol>
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

function toRunWords({ wrong, right, notJudged }: CheckRunSummary): string {
  const parts = [wrong > 0 ? `${wrong} wrong` : 'nothing wrong', `${right} right`];
  if (notJudged > 0) parts.push(`${notJudged} not judged`);
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
              <b>{procedures.find(({ check }) => check === run.check)?.title}</b>
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
