// A recorded session through the Live page: the same drawing, visibly not live, with the transport below.
import './replay.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SessionDetail } from '../../server/contract/replay.ts';
import { LivePage } from '../live/live-page.tsx';
import { toAddress } from '../router.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { Feed, FeedContext } from '../stream/feed.ts';
import { ReplaySource } from './replay-source.ts';
import { FollowedReplay } from './shared-replay.ts';
import { Transport } from './transport.tsx';

interface Replay {
  feed: Feed;
  source: ReplaySource;
}

export interface ReplayPageProps {
  session: string;
  at: number | undefined;
  /** Follows what other browsers do with it from the beginning. */
  together: boolean;
}

export function ReplayPage({ session, at, together }: ReplayPageProps) {
  const replay = useSignal<Replay | undefined>(undefined);
  const problem = useSignal('');
  const followed = useSignal<FollowedReplay | undefined>(undefined);
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
        if (together) followed.value = new FollowedReplay(source);
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
    return () => {
      left = true;
      source?.stop();
      followed.peek()?.stop();
      followed.value = undefined;
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
  const toggleTogether = () => {
    followed.peek()?.stop();
    followed.value = followed.peek() ? undefined : new FollowedReplay(source);
  };
  return (
    <FeedContext.Provider value={feed}>
      <div class="replay">
        <p class="replay-band" role="status">
          <strong>Replay, not live</strong>
          <span>
            session {about.session}, {about.vehicle}, {new Date(about.startedWallMs).toLocaleString()}
            {about.state === 'open' && ', still being recorded: its newest ten seconds are not here yet'}
          </span>
          <Together followed={followed.value} toggle={toggleTogether} />
          <a class="button" href={toAddress('live')}>
            Back to live
          </a>
        </p>
        {source.problem.value && <p class="problem">{source.problem}</p>}
        {followed.value?.problem.value && <p class="problem">{followed.value.problem}</p>}
        <LivePage />
        <Transport source={source} />
      </div>
    </FeedContext.Provider>
  );
}

/** Own replay, or the one that several browsers follow. */
function Together({ followed, toggle }: { followed: FollowedReplay | undefined; toggle(): void }) {
  const others = Math.max(0, (followed?.followers.value ?? 0) - 1);
  return (
    <button type="button" class="button together" aria-pressed={followed !== undefined} onClick={toggle}>
      {followed ? `Together: ${others === 0 ? 'nobody else yet' : others === 1 ? 'one other' : `${others} others`}` : 'Follow together'}
    </button>
  );
}
