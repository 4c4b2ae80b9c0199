// The recorded sessions: searched, written about, pinned, deleted and brought back, read again, exported, and opened for replay.
import './sessions.css';
import { type Signal, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SessionChange } from '../../server/contract/replay.ts';
import type { RereadJob, RereadsView } from '../../server/contract/session-tasks.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import type { PageProps } from '../router.tsx';
import { Problem, useAttempts } from '../shell/work.tsx';
import { getJson, sendJson } from '../stream/api.ts';
import { ImportPanel } from './import-panel.tsx';
import { KeepPanel, LaidAside } from './keep-panel.tsx';
import { ReplayPage } from './replay-page.tsx';
import { RereadJobs } from './reread-jobs.tsx';
import { SessionRow } from './session-row.tsx';

const refreshMs = 5000;
const jobsRefreshMs = 700;
const searchDelayMs = 200;

export function SessionsPage({ rest, query }: PageProps) {
  const [session] = rest;
  const at = query.get('at');
  if (session !== undefined) {
    return <ReplayPage key={session} session={session} at={at === null ? undefined : Number(at)} together={query.has('together')} />;
  }
  return <SessionList />;
}

/** What a row or a panel of the page may do. */
export interface SessionActs {
  change(session: number, body: SessionChange): Promise<void>;
  layAside(session: number): Promise<void>;
  restore(session: number): Promise<void>;
  reread(sessions: number[]): Promise<void>;
  cancel(job?: number): Promise<void>;
}

function SessionList() {
  const list = useSignal<SessionsView | undefined>(undefined);
  const jobs = useSignal<RereadJob[]>([]);
  const { problem, attempt } = useAttempts();
  const search = useSignal('');
  const refresh = () =>
    attempt(async () => {
      const asked = search.peek();
      const found = await getJson<SessionsView>(`/api/sessions?${new URLSearchParams({ search: asked })}`);
      // Whoever has typed on meanwhile waits for the answer to that.
      if (asked === search.peek()) list.value = found;
    });
  useLists(search, jobs, refresh);
  const takeJobs = (view: RereadsView) => {
    jobs.value = view.jobs;
  };
  const acts: SessionActs = {
    change: (session, body) => attempt(() => sendJson('PATCH', `/api/sessions/${session}`, body)).then(refresh),
    layAside: (session) => attempt(() => sendJson('DELETE', `/api/sessions/${session}`, undefined)).then(refresh),
    restore: (session) => attempt(() => sendJson('POST', `/api/sessions/${session}/restore`, {})).then(refresh),
    reread: (sessions) => attempt(async () => takeJobs(await sendJson<RereadsView>('POST', '/api/rereads', { sessions }))),
    cancel: (job) =>
      attempt(async () => takeJobs(await sendJson<RereadsView>('DELETE', `/api/rereads${job === undefined ? '' : `/${job}`}`, undefined))),
  };
  const shown = list.value?.sessions ?? [];
  return (
    <div class="page sessions-page">
      <ListHead list={list.value} search={search} reread={acts.reread} />
      <Problem text={problem.value} />
      <ImportPanel imported={refresh} />
      <RereadJobs jobs={jobs.value} cancel={acts.cancel} />
      {list.value && <LaidAside laidAside={list.value.laidAside} restore={acts.restore} />}
      {list.value?.all === 0 && (
        <div class="panel page-note">
          <h2>Nothing is recorded yet</h2>
          <p>Recording begins by itself with the first frame, and nobody needs to press a button.</p>
        </div>
      )}
      <ol class="plain session-list">
        {shown.map((session) => (
          <SessionRow key={session.session} session={session} acts={acts} readings={readingsMade(jobs.value, session.session)} />
        ))}
      </ol>
      {list.value && <KeepPanel keep={list.value.keep} />}
    </div>
  );
}

/** Changes when a re-reading of the session has ended: what is open of its readings is then asked for anew. */
function readingsMade(jobs: RereadJob[], session: number): number {
  return jobs.filter((job) => job.session === session && job.state === 'done').length;
}

/** Keeps the list and the re-readings up to date while the page is open; a search is asked for once it rests. */
function useLists(search: Signal<string>, jobs: Signal<RereadJob[]>, refresh: () => Promise<void>): void {
  useEffect(() => {
    const lookAtJobs = async () => {
      const before = jobs.peek().filter(isUnderWay).length;
      const { jobs: found } = await getJson<RereadsView>('/api/rereads').catch(() => ({ jobs: jobs.peek() }));
      jobs.value = found;
      if (found.filter(isUnderWay).length < before) void refresh();
    };
    void refresh();
    void lookAtJobs();
    const timers = [
      setInterval(() => !document.hidden && void refresh(), refreshMs),
      setInterval(() => !document.hidden && jobs.peek().some(isUnderWay) && void lookAtJobs(), jobsRefreshMs),
    ];
    return () => timers.forEach(clearInterval);
  }, []);
  const asked = search.value;
  useEffect(() => {
    const timer = setTimeout(() => void refresh(), searchDelayMs);
    return () => clearTimeout(timer);
  }, [asked]);
}

export function isUnderWay({ state }: RereadJob): boolean {
  return state === 'waiting' || state === 'running';
}

interface ListHeadProps {
  list: SessionsView | undefined;
  search: Signal<string>;
  reread(sessions: number[]): Promise<void>;
}

function ListHead({ list, search, reread }: ListHeadProps) {
  const closed = (list?.sessions ?? []).filter((session: SessionView) => session.state !== 'open');
  return (
    <div class="sessions-head">
      <h1>Sessions</h1>
      <input
        type="search"
        placeholder="name, note, tag, channel or date"
        aria-label="Search sessions"
        value={search}
        onInput={(event) => {
          search.value = event.currentTarget.value;
        }}
      />
      <p class="quiet" role="status">
        {list === undefined ? 'Reading the list.' : `${list.sessions.length} of ${list.all}`}
      </p>
      <button
        type="button"
        class="button"
        disabled={closed.length === 0}
        title="Reads every session of this list again by today's definitions, beside the readings that they have"
        onClick={() => void reread(closed.map(({ session }) => session))}
      >
        Read {closed.length === 0 ? 'these' : closed.length === 1 ? 'it' : `these ${closed.length}`} again
      </button>
    </div>
  );
}
