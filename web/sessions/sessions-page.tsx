// The recorded sessions: found, noted, pinned, laid aside and brought back, and opened for replay.
import './sessions.css';
import { useComputed, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SessionChange } from '../../server/contract/replay.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import type { PageProps } from '../router.tsx';
import { toAddress } from '../router.tsx';
import { toBytesText, toClockText, toCountText } from '../shell/numbers.ts';
import { ApiError, getJson, sendJson } from '../stream/api.ts';
import { ReplayPage } from './replay-page.tsx';

const refreshMs = 5000;

export function SessionsPage({ rest, query }: PageProps) {
  const [session] = rest;
  const at = query.get('at');
  if (session !== undefined) return <ReplayPage key={session} session={session} at={at === null ? undefined : Number(at)} />;
  return <SessionList />;
}

function SessionList() {
  const sessions = useSignal<SessionView[] | undefined>(undefined);
  const problem = useSignal('');
  const search = useSignal('');
  const laidAside = useSignal<SessionView | undefined>(undefined);
  const shown = useComputed(() => (sessions.value ?? []).filter((session) => matches(session, search.value)));
  const attempt = async (work: () => Promise<unknown>) => {
    try {
      await work();
      problem.value = '';
    } catch (error) {
      problem.value = error instanceof ApiError ? `${error.message}. ${error.cure}` : String(error);
    }
  };
  const refresh = () =>
    attempt(async () => {
      sessions.value = (await getJson<SessionsView>('/api/sessions')).sessions;
    });
  const change = (session: SessionView, body: SessionChange) =>
    attempt(() => sendJson('PATCH', `/api/sessions/${session.session}`, body)).then(refresh);
  const layAside = (session: SessionView) =>
    attempt(async () => {
      await sendJson('DELETE', `/api/sessions/${session.session}`, undefined);
      laidAside.value = session;
    }).then(refresh);
  const restore = (session: SessionView) =>
    attempt(async () => {
      await sendJson('POST', `/api/sessions/${session.session}/restore`, {});
      laidAside.value = undefined;
    }).then(refresh);
  // The timer lives as long as the page.
  useEffect(() => {
    void refresh();
    const timer = setInterval(() => !document.hidden && void refresh(), refreshMs);
    return () => clearInterval(timer);
  }, []);
  return (
    <div class="page sessions-page">
      <div class="sessions-head">
        <h1>Sessions</h1>
        <input
          type="search"
          placeholder="note, vehicle, date or number"
          aria-label="Search sessions"
          value={search}
          onInput={(event) => {
            search.value = event.currentTarget.value;
          }}
        />
        <p class="quiet" role="status">
          {sessions.value === undefined ? '' : `${shown.value.length} of ${sessions.value.length}`}
        </p>
      </div>
      {problem.value && (
        <p class="problem" role="alert">
          {problem}
        </p>
      )}
      {laidAside.value && (
        <p class="panel laid-aside" role="status">
          Session {laidAside.value.session} is laid aside.
          <button type="button" class="button" onClick={() => laidAside.value && void restore(laidAside.value)}>
            Bring it back
          </button>
        </p>
      )}
      {sessions.value?.length === 0 && (
        <div class="panel page-note">
          <h2>Nothing is recorded yet</h2>
          <p>Recording begins by itself with the first frame, and nobody needs to press a button.</p>
        </div>
      )}
      <ol class="plain session-list">
        {shown.value.map((session) => (
          <SessionRow key={session.session} session={session} change={change} layAside={layAside} />
        ))}
      </ol>
    </div>
  );
}

function matches(session: SessionView, search: string): boolean {
  const date = new Date(session.startedWallMs).toLocaleString();
  const text = `${session.session} ${session.vehicle} ${session.note} ${session.origin} ${date}`.toLowerCase();
  return search
    .toLowerCase()
    .split(/\s+/)
    .every((word) => text.includes(word));
}

const stateWords = { open: 'being recorded', closed: '', killed: 'the program ended in the middle of it' } as const;

interface SessionRowProps {
  session: SessionView;
  change(session: SessionView, body: SessionChange): Promise<void>;
  layAside(session: SessionView): Promise<void>;
}

function SessionRow({ session, change, layAside }: SessionRowProps) {
  const note = useSignal(session.note);
  const changed = note.value !== session.note;
  return (
    <li class="session panel" data-session={session.session}>
      <div class="session-what">
        <h2>
          <a href={toAddress('sessions', String(session.session))}>
            {new Date(session.startedWallMs).toLocaleString()}
            {session.pinned && <span class="pinned">pinned</span>}
          </a>
        </h2>
        <p>
          session {session.session}, {session.vehicle}, <b>{toClockText(session.seconds)}</b>, {toCountText(session.frames)} frames,{' '}
          {toBytesText(session.bytes)}
        </p>
        <p class="small quiet">{[session.origin, stateWords[session.state]].filter(Boolean).join(', ')}</p>
      </div>
      <form
        class="session-note"
        onSubmit={(event) => {
          event.preventDefault();
          void change(session, { note: note.value });
        }}
      >
        <textarea
          rows={2}
          aria-label={`Note of session ${session.session}`}
          placeholder="Note"
          value={note}
          onInput={(event) => {
            note.value = event.currentTarget.value;
          }}
        />
        {changed && (
          <button type="submit" class="button main">
            Keep
          </button>
        )}
      </form>
      <div class="session-acts">
        <a class="button main" href={toAddress('sessions', String(session.session))}>
          Replay
        </a>
        <button
          type="button"
          class="button"
          aria-pressed={session.pinned}
          onClick={() => void change(session, { pinned: !session.pinned })}
        >
          {session.pinned ? 'Pinned' : 'Pin'}
        </button>
        <button
          type="button"
          class="button"
          disabled={session.state === 'open' || session.pinned}
          title={session.pinned ? 'A pinned session is never deleted' : ''}
          onClick={() => void layAside(session)}
        >
          Delete
        </button>
      </div>
    </li>
  );
}
