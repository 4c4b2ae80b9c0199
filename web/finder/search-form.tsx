// What is searched, and what the wanted signal follows: a known channel, or what somebody does, with a button to say when.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SearchRequest } from '../../server/contract/finder.ts';
import type { SessionDetail } from '../../server/contract/replay.ts';
import type { SessionsView } from '../../server/contract/sessions.ts';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { type Did, DidList } from './did-list.tsx';

interface SearchFormProps {
  begin(request: SearchRequest): void;
  /** A search is going on, or may not be begun. */
  busy: boolean;
  /** What is chosen at first. */
  session: number | 'live';
}

/** Of the live bus this much before now is searched, minutes. */
const liveMinutes = [1, 2, 5, 10] as const;
const liveMinutesUsual = 2;
/**
 * What was done is searched with a little before it, so that it stands out, and what comes after it, as long as a slow probe takes to cool.
 * Much more before would be searched too if somebody had done it then without pressing.
 */
const [beforeDoneUs, afterDoneUs] = [5e6, 60e6];

export function SearchForm({ begin, busy, session: first }: SearchFormProps) {
  const feed = useFeed();
  const session = useSignal<number | 'live'>(first);
  const sessions = useSessions();
  const extent = useExtent(session.value);
  const minutes = useSignal<number>(liveMinutesUsual);
  const follows = useSignal<'channel' | 'done'>('channel');
  const channel = useSignal('');
  const done = useSignal<Did[]>([]);
  const unclaimed = useSignal(true);
  const isLive = session.value === 'live';
  const known = feed.vehicle.value?.channels ?? [];
  const zeroUs = isLive ? 0 : (extent?.fromUs ?? 0);
  const ready = follows.value === 'channel' ? known.some(({ name }) => name === channel.value) : done.value.length > 0;
  const submit = (event: Event) => {
    event.preventDefault();
    const stretches = done.value.map(({ fromUs, toUs }) => ({ fromUs, toUs }));
    const nowUs = feed.timeUs.peek();
    const whole = isLive ? { fromUs: Math.max(0, nowUs - minutes.value * 60e6), toUs: nowUs } : extent;
    begin({
      session: session.value,
      ...(follows.value === 'done' ? aroundOf(stretches, isLive ? { fromUs: 0, toUs: nowUs } : extent) : whole),
      ...(follows.value === 'channel' ? { like: channel.value } : { during: stretches }),
      unclaimed: unclaimed.value,
      top: 10,
    });
  };
  return (
    <form class="panel search-form" onSubmit={submit}>
      <label>
        Search
        <select
          value={String(session.value)}
          onChange={(event) => {
            const { value } = event.currentTarget;
            session.value = value === 'live' ? 'live' : Number(value);
            done.value = [];
          }}
        >
          <option value="live">the live bus</option>
          {sessions.map(({ session: number, name, startedWallMs }) => (
            <option key={number} value={number}>
              session {number}
              {name && `, ${name}`}, {new Date(startedWallMs).toLocaleString()}
            </option>
          ))}
        </select>
      </label>
      {isLive && follows.value === 'channel' && (
        <label>
          As it came in the last
          <select
            value={minutes.value}
            onChange={(event) => {
              minutes.value = Number(event.currentTarget.value);
            }}
          >
            {liveMinutes.map((count) => (
              <option key={count} value={count}>
                {count} min
              </option>
            ))}
          </select>
        </label>
      )}
      <fieldset>
        <legend>The signal follows</legend>
        <Follows value="channel" chosen={follows} says="a channel: the same quantity from another device, or what drives it" />
        {follows.value === 'channel' && (
          <label class="channel-choice">
            Channel
            <input
              type="text"
              list="finder-channels"
              value={channel.value}
              autocapitalize="off"
              spellcheck={false}
              placeholder={known[0]?.name ?? ''}
              onInput={(event) => {
                channel.value = event.currentTarget.value.trim();
              }}
            />
            <datalist id="finder-channels">
              {known.map(({ name }) => (
                <option key={name} value={name} />
              ))}
            </datalist>
          </label>
        )}
        <Follows value="done" chosen={follows} says="what somebody does: heat a probe, sweep the throttle, hold a button" />
        {follows.value === 'done' && (
          <DidList
            done={done.value}
            zeroUs={zeroUs}
            isLive={isLive}
            onDone={(now) => {
              done.value = now;
            }}
          />
        )}
      </fieldset>
      <label class="check">
        <input
          type="checkbox"
          checked={unclaimed.value}
          onChange={(event) => {
            unclaimed.value = event.currentTarget.checked;
          }}
        />
        Leave out bits that a signal is defined in already
      </label>
      <button type="submit" class="button main" disabled={busy || !ready}>
        Search
      </button>
    </form>
  );
}

/** What is searched around the stretches in which it was done. */
function aroundOf(stretches: readonly Stretch[], extent: Stretch | undefined): Stretch {
  const fromUs = Math.min(...stretches.map((stretch) => stretch.fromUs)) - beforeDoneUs;
  const toUs = Math.max(...stretches.map((stretch) => stretch.toUs)) + afterDoneUs;
  return extent ? { fromUs: Math.max(extent.fromUs, fromUs), toUs: Math.min(extent.toUs, toUs) } : { fromUs, toUs };
}

interface Stretch {
  fromUs: number;
  toUs: number;
}

function Follows<T extends string>({ value, chosen, says }: { value: T; chosen: { value: T }; says: string }) {
  return (
    <label class="check">
      <input
        type="radio"
        name="follows"
        checked={chosen.value === value}
        onChange={() => {
          chosen.value = value;
        }}
      />
      {says}
    </label>
  );
}

/** Recorded sessions, newest first; empty until they are known. */
function useSessions(): SessionsView['sessions'] {
  const sessions = useSignal<SessionsView['sessions']>([]);
  useEffect(() => {
    getJson<SessionsView>('/api/sessions').then(
      (view) => {
        sessions.value = view.sessions;
      },
      () => undefined,
    );
  }, [sessions]);
  return sessions.value;
}

/** Where a session begins and ends, session time; undefined for the live bus and until it is known. */
function useExtent(session: number | 'live'): { fromUs: number; toUs: number } | undefined {
  const extent = useSignal<{ fromUs: number; toUs: number } | undefined>(undefined);
  useEffect(() => {
    extent.value = undefined;
    if (session === 'live') return;
    let left = false;
    getJson<SessionDetail>(`/api/sessions/${session}`).then(
      ({ fromUs, toUs }) => {
        if (!left) extent.value = { fromUs, toUs };
      },
      () => undefined,
    );
    return () => {
      left = true;
    };
  }, [session, extent]);
  return extent.value;
}
