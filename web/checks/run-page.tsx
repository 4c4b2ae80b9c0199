// One kept run of a check, to be read or printed: its verdicts, and what has changed since the last good one.
import type { CheckRun } from '../../server/contract/checks.ts';
import { toAddress } from '../router.tsx';
import { toClockText, toCountText } from '../shell/numbers.ts';
import { CheckPage } from './check-page.tsx';
import { CorrectionPanel } from './correction-panel.tsx';
import { useFollowed } from './following.ts';
import { toCheckTitle } from './procedures.ts';
import { StepOutline } from './step-outline.tsx';
import { VerdictList } from './verdict-list.tsx';

/** A kept run never changes: it is asked for again only so that a lost connection heals. */
const refreshMs = 10_000;

export function RunPage({ run }: { run: string }) {
  const { value, problem } = useFollowed<CheckRun>(`/api/checks/runs/${encodeURIComponent(run)}`, refreshMs);
  const found = value.value;
  return (
    <CheckPage title={found ? `${toCheckTitle(found)}, run ${found.run}` : 'Run of a check'} problem={found ? '' : problem.value}>
      {found && <Found run={found} />}
    </CheckPage>
  );
}

function Found({ run }: { run: CheckRun }) {
  return (
    <>
      <p>
        {run.vehicle}, {new Date(run.startedWallMs).toLocaleString()}, {toClockText(run.seconds)}, {toCountText(run.result.frames)} frames
        {run.session === null ? '' : `, session ${run.session}`}
        {run.by === '' ? '' : `, by ${run.by}`}. Definitions <code>{run.definitionHash.slice(0, 12)}</code>.
      </p>
      {run.unseenFrames > 0 && <p class="problem">{toCountText(run.unseenFrames)} frames were lost before this check saw them.</p>}
      <p class="run-word" role="status">
        {run.ok ? (run.right > 0 ? 'Nothing is wrong in what was judged.' : 'Nothing could be judged.') : `${run.wrong} wrong.`}
      </p>
      {run.comparedWith !== null && (
        <section class="panel" aria-label="Compared">
          <h2>
            Since the last good run, <a href={toAddress('checks', 'run', String(run.comparedWith))}>run {run.comparedWith}</a>
          </h2>
          {run.changes.length === 0 ? (
            <p>Nothing has changed by a tenth or more.</p>
          ) : (
            <ul>
              {run.changes.map((change) => (
                <li key={change}>{change}</li>
              ))}
            </ul>
          )}
        </section>
      )}
      <CorrectionPanel run={run.run} check={run.check} />
      <VerdictList result={run.result} run={run.run} />
      {run.procedure && <StepOutline procedure={run.procedure} steps={run.steps} current={null} />}
      <div class="big-acts no-print">
        <a class="button main huge" href={toAddress('checks', run.check)}>
          Do it again
        </a>
        <a class="button huge" href={`/api/paper/checks/${run.run}`} target="_blank" rel="noopener">
          Report on paper
        </a>
        <button type="button" class="button huge" onClick={() => print()}>
          Print
        </button>
      </div>
    </>
  );
}
