// The Pulls page: sweeps and holds of a session, each cylinder's peaks, spread by engine speed, and what the holds say of the distribution.
import './pulls.css';
import { useComputed, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { PullsView, PullView } from '../../server/contract/pulls.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { toClockText, toNumberText } from '../shell/numbers.ts';
import { ApiError, getJson } from '../stream/api.ts';
import { PeakTable } from './peak-table.tsx';
import { SpreadPlot } from './spread-plot.tsx';
import { StudySection } from './study-section.tsx';

/** A session that is still recorded is judged anew this often: each look reads all of it. */
const refreshMs = 15_000;

export function PullsPage({ rest }: PageProps) {
  const sessions = useSignal<SessionView[] | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    getJson<SessionsView>('/api/sessions').then(
      (found) => {
        sessions.value = found.sessions;
      },
      (error: unknown) => {
        problem.value = toText(error);
      },
    );
  }, []);
  const list = sessions.value ?? [];
  const chosen = rest[0] === undefined ? list[0] : list.find(({ session }) => String(session) === rest[0]);
  return (
    <div class="page pulls-page">
      <div class="pulls-head">
        <h1>Pulls</h1>
        {list.length > 0 && (
          <label>
            <span class="visually-hidden">Session</span>
            <select
              value={String(chosen?.session ?? '')}
              onChange={(event) => {
                location.hash = toAddress('pulls', event.currentTarget.value);
              }}
            >
              {list.map(({ session, startedWallMs, state, seconds }) => (
                <option key={session} value={session}>
                  {session}: {new Date(startedWallMs).toLocaleString()}, {state === 'open' ? 'being recorded' : toClockText(seconds)}
                </option>
              ))}
            </select>
          </label>
        )}
      </div>
      {problem.value && (
        <p class="problem" role="alert">
          {problem}
        </p>
      )}
      {sessions.value?.length === 0 && <p>Nothing is recorded yet: pulls are found in what is recorded, and recording begins by itself.</p>}
      {chosen && <SessionPulls key={chosen.session} session={chosen.session} isOpen={chosen.state === 'open'} />}
      {list.length > 0 && <StudySection sessions={list} />}
    </div>
  );
}

function toText(error: unknown): string {
  return error instanceof ApiError ? `${error.message}. ${error.cure}` : String(error);
}

function SessionPulls({ session, isOpen }: { session: number; isOpen: boolean }) {
  const view = useSignal<PullsView | undefined>(undefined);
  const problem = useSignal('');
  const left = useSignal<ReadonlySet<number>>(new Set());
  useEffect(() => {
    let asking = false;
    const look = async () => {
      if (asking || document.hidden) return;
      asking = true;
      try {
        view.value = await getJson<PullsView>(`/api/sessions/${session}/pulls`);
        problem.value = '';
      } catch (error) {
        problem.value = toText(error);
      }
      asking = false;
    };
    void look();
    if (!isOpen) return;
    const timer = setInterval(() => void look(), refreshMs);
    return () => clearInterval(timer);
  }, [session, isOpen]);
  const pulls = useComputed(() => view.value?.pulls ?? []);
  const shown = useComputed(() => pulls.value.map((pull, i) => ({ pull, number: i + 1 })).filter(({ number }) => !left.value.has(number)));
  if (!view.value) return problem.value ? <p class="problem">{problem}</p> : <p role="status">Looking for pulls in session {session}.</p>;
  const toggle = (number: number) => {
    const next = new Set(left.value);
    if (!next.delete(number)) next.add(number);
    left.value = next;
  };
  return (
    <>
      {problem.value && <p class="problem">What stands here is old. {problem}</p>}
      {view.value.notJudged.map(({ what, line }) => (
        <p key={line} class="problem">
          {what} are not judged. This line would let them be: <code>{line}</code>
        </p>
      ))}
      {pulls.value.length === 0 && view.value.notJudged.length === 0 && (
        <p>
          No pull yet in {toClockText(view.value.seconds)}. A pull is full throttle with rising engine speed for 1.5 s or more; a hold is
          steady load for 4 s or more.
        </p>
      )}
      {pulls.value.length > 0 && (
        <>
          <ol class="plain pull-rows">
            {pulls.value.map((pull, i) => (
              <PullRow
                key={`${pull.kind} ${pull.from}`}
                pull={pull}
                number={i + 1}
                isShown={!left.value.has(i + 1)}
                at={`${toAddress('sessions', String(session))}?at=${Math.round(view.value?.startUs ?? 0) + Math.round(pull.from * 1e6)}`}
                toggle={() => toggle(i + 1)}
              />
            ))}
          </ol>
          <SpreadPlot pulls={shown.value} />
          <PeakTable pulls={shown.value} />
          <p class="small quiet">
            Indicated temperatures: a probe lags, so a peak may come after the lift, up to 3 s. Spread is the highest less the lowest of the
            probes that give numbers, and is silent when all go hot together. Below 15 to 20 K between cylinders means nothing yet.
          </p>
        </>
      )}
    </>
  );
}

interface PullRowProps {
  pull: PullView;
  number: number;
  isShown: boolean;
  /** Address of the replay at its beginning. */
  at: string;
  toggle(): void;
}

function PullRow({ pull, number, isShown, at, toggle }: PullRowProps) {
  const { kind, complete, from, to, speedFrom, speedTo, bands, sets } = pull;
  const spread = Math.max(...bands.flatMap(({ spreadK }) => spreadK ?? []));
  const what = kind === 'hold' ? (complete ? 'Hold' : 'Short hold') : complete ? 'Sweep' : 'Sweep, lifted early';
  return (
    <li class="panel pull-row" data-kind={kind}>
      <label>
        <input type="checkbox" checked={isShown} onChange={toggle} />
        <b>
          {number} {what}
        </b>
      </label>
      <span>
        {kind === 'hold' ? Math.round((speedFrom + speedTo) / 2) : `${speedFrom} to ${speedTo}`} rpm, {toNumberText(to - from, 1)} s
      </span>
      <span>{Number.isFinite(spread) ? `spread up to ${toNumberText(spread, 0)} K` : 'no spread'}</span>
      <span class="quiet">{sets.map(toSetText).filter(Boolean).join('; ')}</span>
      <a class="button" href={at}>
        Replay
      </a>
    </li>
  );
}

function toSetText({ set, dutyMax, deltaMin, deltaMax }: PullView['sets'][number]): string {
  const parts = [
    dutyMax !== null && `duty up to ${toNumberText(dutyMax, 0)} %`,
    deltaMin !== null && deltaMax !== null && `delta ${toNumberText(deltaMin, 0)} to ${toNumberText(deltaMax, 0)} kPa`,
  ].filter(Boolean);
  return parts.length > 0 ? `${set}: ${parts.join(', ')}` : '';
}
