// The distribution study over chosen sessions: which cylinder differs, what could be the cause, the test that decides, what to try next.
import { useSignal } from '@preact/signals';
import type { LogEntryRequest } from '../../server/contract/log-book.ts';
import type { StudyView } from '../../server/contract/pulls.ts';
import type { SessionView } from '../../server/contract/sessions.ts';
import { WriterField, writeDown } from '../log-book/write-down.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { toKelvinText, toShownNumber } from '../shell/units.ts';
import { Problem, useWork } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { type FigureOf, figuresOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { StudyDrawing } from './study-drawing.tsx';

const trialsShown = 8;

export function StudySection({ sessions }: { sessions: SessionView[] }) {
  const chosen = useSignal<ReadonlySet<number>>(new Set());
  const study = useSignal<{ sessions: string; view: StudyView } | undefined>(undefined);
  const { busy, problem, run } = useWork();
  const ask = () =>
    run(async () => {
      // In the order in which they were run.
      const numbers = [...chosen.value].sort((a, b) => a - b).join(',');
      study.value = { sessions: numbers, view: await getJson<StudyView>(`/api/study?sessions=${numbers}`) };
    });
  const toggle = (session: number) => {
    const next = new Set(chosen.value);
    if (!next.delete(session)) next.add(session);
    chosen.value = next;
  };
  return (
    <section class="study" aria-labelledby="study-title">
      <h2 id="study-title">Distribution study</h2>
      <p>
        From the steady holds of the sessions that you choose, in the order in which they were run; from whole sweeps where there is no
        hold.
      </p>
      <details>
        <summary>Sessions ({chosen.value.size} chosen)</summary>
        <ul class="plain study-sessions">
          {sessions.map(({ session, startedWallMs, note }) => (
            <li key={session} data-session={session}>
              <label>
                <input type="checkbox" checked={chosen.value.has(session)} onChange={() => toggle(session)} /> {session}:{' '}
                {new Date(startedWallMs).toLocaleString()} {note}
              </label>
            </li>
          ))}
        </ul>
      </details>
      <button
        type="button"
        class="button main"
        disabled={chosen.value.size === 0 || chosen.value.size > 20 || busy.value}
        onClick={() => void ask()}
      >
        {busy.value ? 'Reading the sessions' : 'Study them'}
      </button>
      <Problem text={problem.value} />
      {study.value && <Found study={study.value.view} sessions={study.value.sessions} figure={figuresOf('study', study.value.sessions)} />}
    </section>
  );
}

interface StudiedProps {
  study: StudyView;
  /** Addresses of its figures. */
  figure: FigureOf;
}

function Found({ study, sessions, figure }: StudiedProps & { sessions: string }) {
  return (
    <div class="study-found">
      <details>
        <summary>
          {study.holds.length} {study.holds.some(({ kind }) => kind === 'sweep') ? 'whole sweeps, no steady hold' : 'steady holds'}
        </summary>
        <ol>
          {study.holds.map(({ session, from, to, speed, spread }, i) => (
            <li key={`${session} ${from}`}>
              Session {session}, {toNumberText(from, 1)} to {toNumberText(to, 1)} s, {speed} rpm: spread{' '}
              <WhyFigure of={figure('hold-spread', i)}>{toKelvinText(spread)}</WhyFigure>
            </li>
          ))}
        </ol>
      </details>
      {study.notJudged.map(({ what, line }) => (
        <p key={`${what} ${line}`} class="problem">
          Not judged: {what}. {line.startsWith('nothing: ') ? toSentence(line.slice(9)) : <code>{line}</code>}
        </p>
      ))}
      {study.cylinders.length > 0 && <StudyDrawing study={study} figure={figure} />}
      {study.cylinders.length > 0 && <Cylinders study={study} figure={figure} />}
      {study.effects.length > 0 && <Effects study={study} figure={figure} />}
      {study.trials.length > 0 && <Trials study={study} sessions={sessions} figure={figure} />}
    </div>
  );
}

/** It says different, never why; and never that a cold cylinder be leaned. */
function Cylinders({ study, figure }: StudiedProps) {
  return (
    <div class="scroll-x">
      <table class="study-table">
        <thead>
          <tr>
            <th scope="col">Cylinder</th>
            <th scope="col" class="number">
              From the others
            </th>
            <th scope="col">Could be</th>
            <th scope="col">The test that decides</th>
          </tr>
        </thead>
        <tbody>
          {study.cylinders.map(({ cylinder, kelvin, differs, candidates, test }) => (
            <tr key={cylinder} data-differs={differs ? '' : undefined}>
              <th scope="row">{cylinder}</th>
              <td class="number">
                {kelvin === null ? (
                  'no reading'
                ) : (
                  <WhyFigure of={figure('cylinder', cylinder)}>{toKelvinText(kelvin, { signed: true })}</WhyFigure>
                )}
              </td>
              <td data-head="Could be: ">{differs ? candidates.slice(0, 5).join('; ') : 'like the others'}</td>
              <td data-head={test && 'The test that decides: '}>{test}</td>
            </tr>
          ))}
        </tbody>
      </table>
    </div>
  );
}

const bare = (kelvin: number) => toShownNumber(kelvin, 'K', { digits: 0, difference: true, signed: true });

function Effects({ study, figure }: StudiedProps) {
  const told = study.effects.filter(({ separable, kelvin }) => separable && kelvin !== null);
  const open = study.effects.filter((effect) => !told.includes(effect));
  const kinds = [...new Set(open.map(({ kind }) => kind))];
  return (
    <details>
      <summary>Effects with their 90 % interval ({study.effects.length})</summary>
      <ul>
        {told.map(({ kind, subject, kelvin, low, high, verdict }) => (
          <li key={`${kind} ${subject}`}>
            {kind} {subject}:{' '}
            <WhyFigure of={figure('effect', kind, subject)}>
              {`${toKelvinText(kelvin ?? 0, { signed: true })} (${bare(low ?? 0)} to ${bare(high ?? 0)})`}
            </WhyFigure>
            , {verdict}
          </li>
        ))}
        {kinds.map((kind) => (
          <li key={kind}>
            {kind}, these sessions can not separate:{' '}
            {open
              .filter((effect) => effect.kind === kind)
              .map(({ subject }, at) => (
                <span key={subject}>
                  {at > 0 && ', '}
                  <WhyFigure of={figure('effect', kind, subject)}>{subject}</WhyFigure>
                </span>
              ))}
          </li>
        ))}
      </ul>
    </details>
  );
}

const toSentence = (words: string) => `${words[0]?.toUpperCase() ?? ''}${words.slice(1)}.`;

/** How many plugs, probes or injectors. */
const toMoveText = (moves: number) => (moves === 0 ? 'nothing to move' : `${moves} to move`);

function Trials({ study, sessions, figure }: StudiedProps & { sessions: string }) {
  const { busy, problem, run } = useWork();
  const done = (trial: StudyView['trials'][number]) =>
    run(async () => {
      const { kind, change, predictedSpread, plan } = trial;
      const studied = sessions.split(',').map(Number);
      await writeDown({ kind: 'trial', trial: kind as TrialKind, change, predictedSpread, studied, ...(plan ? { plan } : {}) });
    });
  return (
    <>
      <h3>What to try next, the most telling first</h3>
      <Problem text={problem.value} />
      <WriterField />
      <ol class="proposed">
        {study.trials.slice(0, trialsShown).map((trial, i) => (
          <li key={`${trial.kind} ${trial.change}`} data-kind={trial.kind}>
            <p>
              {i === 0 && <b>Proposed: </b>}
              {trial.change}. Takes away <WhyFigure of={figure('teaches', i)}>{Math.round(100 * trial.teaches)} %</WhyFigure> of what is
              uncertain; spread then <WhyFigure of={figure('predicted', i)}>{toKelvinText(trial.predictedSpread)}</WhyFigure>;{' '}
              {toMoveText(trial.moves)}.
            </p>
            {trial.phases && (
              <p class="small quiet">
                Injection from the opening of the intake stroke:{' '}
                {Object.entries(trial.phases).map(([cylinder, degrees]) => (
                  <span key={cylinder} class="phase">
                    {cylinder}: <WhyFigure of={figure('phase', i, cylinder)}>{toNumberText(degrees, 0)}°</WhyFigure>
                  </span>
                ))}
              </p>
            )}
            <button type="button" class="button" disabled={busy.value} onClick={() => void done(trial)}>
              It is done
            </button>
          </li>
        ))}
      </ol>
      {study.trials.length > trialsShown && (
        <details>
          <summary>All {study.trials.length} that could come next</summary>
          <ol start={trialsShown + 1} class="small">
            {study.trials.slice(trialsShown).map(({ kind, change, predictedSpread, teaches, moves }, i) => (
              <li key={`${kind} ${change}`}>
                {change}. <WhyFigure of={figure('teaches', trialsShown + i)}>{Math.round(100 * teaches)} %</WhyFigure>; spread then{' '}
                <WhyFigure of={figure('predicted', trialsShown + i)}>{toKelvinText(predictedSpread)}</WhyFigure>; {toMoveText(moves)}.
              </li>
            ))}
          </ol>
        </details>
      )}
    </>
  );
}

type TrialKind = Extract<LogEntryRequest, { kind: 'trial' }>['trial'];
