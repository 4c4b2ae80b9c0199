// Trials that were written down, judged by the pulls before and behind them: 'no effect' is a verdict.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { TrialView } from '../../server/contract/pulls.ts';
import { logEntries, textOf, WritingForm, writeDown } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { toKelvinText } from '../shell/units.ts';
import { Problem, useWork } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { toDifferenceText } from './compare-section.tsx';

/** Pulls come while the page stands open. */
const refreshMs = 20_000;

export function TrialsSection() {
  const trials = useSignal<TrialView[] | undefined>(undefined);
  const { problem, run } = useWork();
  const look = () =>
    run(async () => {
      trials.value = await getJson<TrialView[]>('/api/trials');
    });
  const written = logEntries.value?.length;
  useEffect(() => {
    void look();
    const timer = setInterval(() => {
      if (!document.hidden) void look();
    }, refreshMs);
    return () => clearInterval(timer);
  }, [written]);
  return (
    <section class="trials" aria-labelledby="trials-title">
      <h2 id="trials-title">Trials</h2>
      <Problem text={problem.value} />
      {trials.value === undefined && <p role="status">Judging the trials.</p>}
      {trials.value?.length === 0 && (
        <p>None was written down yet. The study proposes them; each can also be written down by hand below.</p>
      )}
      <ol class="plain trial-rows">
        {[...(trials.value ?? [])].reverse().map((trial) => (
          <TrialRow key={trial.entry} trial={trial} />
        ))}
      </ol>
      <NewTrial />
    </section>
  );
}

const namedMax = 8;

function toList(pulls: readonly string[]): string {
  if (pulls.length === 0) return 'none';
  const more = pulls.length > namedMax ? ' and more' : '';
  return `${pulls.slice(0, namedMax).join(', ')}${more}`;
}

function TrialRow({ trial }: { trial: TrialView }) {
  const { entry, change, by, wallMs, undoneWallMs, verdict, say, advice, before, after, predictedSpread, studied, spread, cylinders } =
    trial;
  const figure = (quantity: string) => toFigureAddress('compare', before.join(), after.join(), quantity, 'all');
  const { busy, problem, run } = useWork();
  const undo = () =>
    run(async () => {
      await writeDown({ kind: 'trial-undone', of: entry });
    });
  return (
    <li class="panel trial-row" data-verdict={verdict}>
      <p>
        <b>{change}</b>
      </p>
      <p class="small quiet">
        {new Date(wallMs).toLocaleString()}, {by}
        {undoneWallMs === null ? '' : `; taken back ${new Date(undoneWallMs).toLocaleString()}`}
        {predictedSpread === null ? '' : '; predicted spread '}
        {predictedSpread !== null &&
          (studied.length === 0 ? (
            toKelvinText(predictedSpread)
          ) : (
            <WhyFigure of={toFigureAddress('study', studied.join(), 'kept', predictedSpread, change)}>
              {toKelvinText(predictedSpread)}
            </WhyFigure>
          ))}
      </p>
      <p class="trial-verdict">{say}.</p>
      {spread && (
        <p class="small">
          Spread with it less without: <WhyFigure of={figure('spread')}>{toDifferenceText(spread, 'K')}</WhyFigure>
        </p>
      )}
      <p class="small">
        Judged on {before.length} without ({toList(before)}) and {after.length} with it ({toList(after)}), session:pull.
      </p>
      {advice.length > 0 && (
        <ul class="small">
          {advice.map((words) => (
            <li key={words}>{words}</li>
          ))}
        </ul>
      )}
      {cylinders.length > 0 && (
        <details>
          <summary>By cylinder, deviation from the others</summary>
          <ul>
            {cylinders.map(({ cylinder, deviation }) => (
              <li key={cylinder}>
                {cylinder}: <WhyFigure of={figure(`deviation:${cylinder}`)}>{toDifferenceText(deviation, 'K')}</WhyFigure>,{' '}
                {deviation.verdict}
              </li>
            ))}
          </ul>
        </details>
      )}
      <Problem text={problem.value} />
      <div class="form-buttons">
        {undoneWallMs === null && (
          <button type="button" class="button" disabled={busy.value} onClick={() => void undo()}>
            Taken back
          </button>
        )}
        <a class="button" href={toAddress('pulls', 'card', String(entry))}>
          Card to print
        </a>
      </div>
    </li>
  );
}

const kinds = {
  regroup: 'plugs moved between groups',
  'label-swap': 'labels swapped in the controller',
  'set-off': 'a set off',
  'probe-swap': 'probes exchanged',
  'injector-swap': 'injectors exchanged',
  enrich: 'more fuel to one cylinder',
  other: 'something else',
} as const;

/** Done now, or from an earlier session on. */
function NewTrial() {
  const work = useWork();
  const save = async (given: FormData, form: HTMLFormElement) => {
    const since = textOf(given, 'since');
    await writeDown({
      kind: 'trial',
      trial: String(given.get('trial')) as keyof typeof kinds,
      change: String(given.get('change')),
      ...(since === '' ? {} : { since: Number(since) }),
    });
    form.reset();
  };
  return (
    <details>
      <summary>Write a trial down by hand</summary>
      <WritingForm work={work} save={save} button="It is done">
        <label class="field">
          <span>Kind</span>
          <select name="trial">
            {(Object.keys(kinds) as (keyof typeof kinds)[]).map((kind) => (
              <option key={kind} value={kind}>
                {kinds[kind]}
              </option>
            ))}
          </select>
        </label>
        <label class="field wide">
          <span>What was done</span>
          <input type="text" name="change" required maxLength={400} />
        </label>
        <label class="field">
          <span>First session driven with it; empty: from now on</span>
          <input type="number" name="since" min="1" />
        </label>
      </WritingForm>
    </details>
  );
}
