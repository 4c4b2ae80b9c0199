// The Pulls page: pulls of a session, the one in progress, two sets compared, the study with its trials, the log of changes, and paper.
import './pulls.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import { readLog } from '../log-book/write-down.tsx';
import { type PageProps, toAddress } from '../router.tsx';
import { toClockText } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { CompareSection } from './compare-section.tsx';
import { LivePull } from './live-pull.tsx';
import { LogSection } from './log-section.tsx';
import { PullSheet, RegroupCard } from './paper.tsx';
import { SessionPulls } from './session-pulls.tsx';
import { StudySection } from './study-section.tsx';
import { TrialsSection } from './trials-section.tsx';

/** Parts of the page by the address behind its name; a number is a session. */
const parts = [
  { name: '', title: 'Session' },
  { name: 'now', title: 'In progress' },
  { name: 'compare', title: 'Compare' },
  { name: 'study', title: 'Study and trials' },
  { name: 'log', title: 'Log of changes' },
] as const;

export function PullsPage({ rest }: PageProps) {
  const sessions = useSignal<SessionView[] | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    const failed = (error: unknown) => {
      problem.value = toProblem(error);
    };
    getJson<SessionsView>('/api/sessions').then((found) => {
      sessions.value = found.sessions;
    }, failed);
    readLog().catch(failed);
  }, []);
  const [part = '', detail = ''] = rest;
  const list = sessions.value;
  const current = parts.find(({ name }) => name === part)?.name ?? '';
  return (
    <div class="page pulls-page">
      <div class="pulls-head no-print">
        <h1>Pulls</h1>
        <nav class="parts" aria-label="Parts of this page">
          {parts.map(({ name, title }) => (
            <a
              key={name}
              class={name === current ? 'button chosen' : 'button'}
              href={name === '' ? toAddress('pulls') : toAddress('pulls', name)}
              aria-current={name === current ? 'page' : undefined}
            >
              {title}
            </a>
          ))}
        </nav>
      </div>
      <Problem text={problem.value} />
      <Part part={part} detail={detail} sessions={list} />
    </div>
  );
}

function Part({ part, detail, sessions }: { part: string; detail: string; sessions: SessionView[] | undefined }) {
  switch (part) {
    case 'now':
      return <LivePull />;
    case 'log':
      return <LogSection />;
    case 'sheet':
      return <PullSheet session={Number(detail)} />;
    case 'card':
      return <RegroupCard entry={Number(detail)} />;
    case 'compare':
      return sessions ? <CompareSection sessions={sessions} /> : null;
    case 'study':
      return sessions ? (
        <>
          <StudySection sessions={sessions} />
          <TrialsSection />
        </>
      ) : null;
    default:
      return sessions ? <OneSession sessions={sessions} asked={part} /> : null;
  }
}

function OneSession({ sessions, asked }: { sessions: SessionView[]; asked: string }) {
  const chosen = asked === '' ? sessions[0] : sessions.find(({ session }) => String(session) === asked);
  if (sessions.length === 0) return <p>Nothing is recorded yet: pulls are found in what is recorded, and recording begins by itself.</p>;
  return (
    <>
      <label class="field">
        <span>Session</span>
        <select
          value={String(chosen?.session ?? '')}
          onChange={(event) => {
            location.hash = toAddress('pulls', event.currentTarget.value);
          }}
        >
          {sessions.map(({ session, startedWallMs, state, seconds }) => (
            <option key={session} value={session}>
              {session}: {new Date(startedWallMs).toLocaleString()}, {state === 'open' ? 'being recorded' : toClockText(seconds)}
            </option>
          ))}
        </select>
      </label>
      {chosen ? (
        <SessionPulls key={chosen.session} session={chosen.session} isOpen={chosen.state === 'open'} />
      ) : (
        <p class="problem">There is no session {asked}.</p>
      )}
    </>
  );
}
