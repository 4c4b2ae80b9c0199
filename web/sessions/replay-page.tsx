// A recorded session through the Live page: the same drawing, visibly not live, with the transport below.
import './replay.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SessionDetail } from '../../server/contract/replay.ts';
import { LivePage } from '../live/live-page.tsx';
import { toAddress } from '../router.tsx';
import { ApiError, getJson } from '../stream/api.ts';
import { Feed, FeedContext } from '../stream/feed.ts';
import { ReplaySource } from './replay-source.ts';
import { Transport } from './transport.tsx';

interface Replay {
  feed: Feed;
  source: ReplaySource;
}

export function ReplayPage({ session, at }: { session: string; at: number | undefined }) {
  const replay = useSignal<Replay | undefined>(undefined);
  const problem = useSignal('');
  // Where it begins matters when the session is opened, not later.
  useEffect(() => {
    let source: ReplaySource | undefined;
    let left = false;
    getJson<SessionDetail>(`/api/sessions/${encodeURIComponent(session)}`).then(
      (detail) => {
        if (left) return;
        const feed = new Feed('replay');
        source = new ReplaySource(feed, detail);
        if (at !== undefined) source.seek(at);
        replay.value = { feed, source };
      },
      (error: unknown) => {
        problem.value = error instanceof ApiError ? `${error.message}. ${error.cure}` : String(error);
      },
    );
    return () => {
      left = true;
      source?.stop();
      replay.value = undefined;
    };
  }, [session]);
  if (problem.value) {
    return (
      <section class="panel page-note">
        <h1>Session {session} can't be shown</h1>
        <p class="problem">{problem}</p>
        <a class="button" href={toAddress('sessions')}>
          To the sessions
        </a>
      </section>
    );
  }
  if (!replay.value) return null;
  const { feed, source } = replay.value;
  const { session: about } = source.detail.value;
  return (
    <FeedContext.Provider value={feed}>
      <div class="replay">
        <p class="replay-band" role="status">
          <strong>Replay, not live</strong>
          <span>
            session {about.session}, {about.vehicle}, {new Date(about.startedWallMs).toLocaleString()}
            {about.state === 'open' && ', still being recorded: its newest ten seconds are not here yet'}
          </span>
          <a class="button" href={toAddress('live')}>
            Back to live
          </a>
        </p>
        {source.problem.value && <p class="problem">{source.problem}</p>}
        <LivePage />
        <Transport source={source} />
      </div>
    </FeedContext.Provider>
  );
}
