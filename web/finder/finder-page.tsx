// The signal finder: what to search, what the wanted signal follows, the places ranked with their evidence, and one of them written down.
import './finder.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SearchRequest, SearchView } from '../../server/contract/finder.ts';
import { access } from '../access/access.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { toCountText } from '../shell/numbers.ts';
import { Problem, useAttempts } from '../shell/work.tsx';
import { getJson, sendJson } from '../stream/api.ts';
import { FindingRow } from './finding-row.tsx';
import { SearchForm } from './search-form.tsx';

const lookEveryMs = 250;

export function FinderPage({ query }: PageProps) {
  const search = useSignal<SearchView | undefined>(undefined);
  const { problem, attempt } = useAttempts();
  const begin = async (request: SearchRequest) => {
    await attempt(async () => {
      search.value = await sendJson<SearchView>('POST', '/api/searches', request);
    });
  };
  const number = search.value?.search;
  const going = search.value?.state === 'waiting' || search.value?.state === 'running';
  useEffect(() => {
    if (!going) return;
    const look = () =>
      attempt(async () => {
        const now = await getJson<SearchView>(`/api/searches/${number}`);
        if (search.value?.search === now.search) search.value = now;
      });
    const timer = setInterval(() => void look(), lookEveryMs);
    return () => clearInterval(timer);
  }, [number, going]);
  const cancel = () =>
    attempt(async () => {
      search.value = await sendJson<SearchView>('DELETE', `/api/searches/${number}`, undefined);
    });
  const isViewer = access.value?.role === 'viewer';
  return (
    <div class="page finder-page">
      <div class="finder-head">
        <h1>Signal finder</h1>
        <a class="button" href={toAddress('frames')}>
          All frames
        </a>
      </div>
      <p>
        A device sends frames that its manual doesn't describe. Say what the wanted signal follows: every place in every frame is tried, and
        what follows best comes first.
      </p>
      {isViewer && <p class="problem">Viewers only look: log in as crew to search.</p>}
      <SearchForm begin={(request) => void begin(request)} busy={going || isViewer} session={Number(query.get('session')) || 'live'} />
      <Problem text={problem.value} />
      {search.value && <Progress search={search.value} cancel={() => void cancel()} />}
      {search.value?.state === 'done' && <Findings search={search.value} />}
    </div>
  );
}

function Progress({ search, cancel }: { search: SearchView; cancel(): void }) {
  const { state, share, problem, session } = search;
  if (state === 'done') return null;
  if (state === 'failed') {
    return <Problem text={problem} />;
  }
  if (state === 'cancelled') return <p role="status">The search was cancelled.</p>;
  return (
    <div class="panel finder-progress">
      <p role="status">{state === 'waiting' ? 'Waiting for another search to end.' : `Searching session ${session}.`}</p>
      <progress max={1} value={share} aria-label="How much is searched" />
      <button type="button" class="button" onClick={cancel}>
        Cancel
      </button>
    </div>
  );
}

function Findings({ search }: { search: SearchView }) {
  const { findings, frames, ids, candidates, like } = search;
  const tried = `${toCountText(candidates)} places tried in ${toCountText(frames)} frames of ${toCountText(ids)} ids.`;
  if (findings.length === 0) {
    return (
      <div class="panel" role="status">
        <h2>Nothing follows {like ?? 'what was done'}</h2>
        <p>
          {tried} Let it move more, over its whole range and there and back; search a stretch in which little else moves; or look among bits
          that are defined already.
        </p>
      </div>
    );
  }
  return (
    <section class="findings" aria-labelledby="findings-title">
      <h2 id="findings-title">What follows {like ?? 'what was done'}</h2>
      <p class="quiet" role="status">
        {tried} The likeliest comes first. Bits that never moved may belong to a number or not, and two things that were both warming up
        look alike: let one move alone before you trust it.
      </p>
      <ol class="plain">
        {findings.map((finding) => (
          <FindingRow key={`${search.search} ${finding.number}`} finding={finding} search={search} />
        ))}
      </ol>
    </section>
  );
}
