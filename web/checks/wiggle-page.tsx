// The wiggle test: one calm screen that changes the moment anything drops out, and the list of what did while which branch was moved.
import { useSignal, useSignalEffect } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { WatchEventView } from '../../server/contract/checks.ts';
import { vibrate } from '../capabilities.ts';
import { WriterField } from '../log-book/write-down.tsx';
import { useAttempts } from '../shell/work.tsx';
import { sendJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { CheckPage } from './check-page.tsx';
import { keepTest } from './kept-test.tsx';
import { useWatchStream, type WatchFeed } from './watch-stream.ts';
import { WiggleSound } from './wiggle-sound.ts';

/** The screen stays changed for so long after an event, so that eyes on the harness catch it. */
const shownMs = 1500;

export function WigglePage() {
  const stream = useWatchStream();
  const { problem, attempt } = useAttempts();
  const watching = stream.state.value?.watching === true;
  return (
    <CheckPage title="Wiggle test" problem={problem.value}>
      {watching ? <Watching stream={stream} attempt={attempt} /> : <Start attempt={attempt} />}
    </CheckPage>
  );
}

type Attempt = (work: () => Promise<unknown>) => Promise<void>;

function Start({ attempt }: { attempt: Attempt }) {
  const feed = useFeed();
  const channels = useSignal<string[]>([]);
  const signals =
    feed.vehicle.value?.buses.flatMap((bus) => bus.devices.flatMap(({ frames }) => frames.flatMap((frame) => frame.signals))) ?? [];
  return (
    <>
      <p>
        Key on, engine off. Move the harness branch by branch, tap the branch's name before you do, and watch this screen from the corner of
        your eye. It changes on any gap, error frame or step of a counter, and on a spike of the channels you choose: most wiggling is of
        sensor leads. Turn on the tone to hear it too.
      </p>
      <label class="check-field">
        Channels watched for spikes (none, or several)
        <select
          multiple
          size={6}
          onChange={(event) => {
            channels.value = [...event.currentTarget.selectedOptions].map(({ value }) => value).slice(0, 16);
          }}
        >
          {signals.map(({ name }) => (
            <option key={name} value={name}>
              {name}
            </option>
          ))}
        </select>
      </label>
      <div class="big-acts">
        <button
          type="button"
          class="button main huge"
          onClick={() => void attempt(() => sendJson('POST', '/api/checks/watch', { channels: channels.value }))}
        >
          Begin
        </button>
      </div>
    </>
  );
}

function Watching({ stream, attempt }: { stream: WatchFeed; attempt: Attempt }) {
  const { state, events, lost } = stream;
  const disturbed = useSignal(false);
  const heard = useRef(events.value[0]?.number ?? 0);
  const calming = useRef<ReturnType<typeof setTimeout> | undefined>(undefined);
  useSignalEffect(() => {
    const newest = events.value.find(({ kind }) => kind !== 'back')?.number ?? 0;
    if (newest <= heard.current) return;
    heard.current = newest;
    disturbed.value = true;
    vibrate([200]);
    // Other events come meanwhile: only a new disturbance begins the time anew.
    clearTimeout(calming.current);
    calming.current = setTimeout(() => {
      disturbed.value = false;
    }, shownMs);
  });
  useEffect(() => () => clearTimeout(calming.current), []);
  const now = state.value;
  const silent = now?.silent ?? [];
  const limping = now?.limping ?? [];
  const bad = disturbed.value || silent.length > 0 || limping.length > 0;
  const last = events.value[0];
  const calm = lost.value ? 'lost' : bad ? 'disturbed' : 'calm';
  const sound = useSignal<WiggleSound | undefined>(undefined);
  useEffect(() => sound.value?.set(calm), [calm, sound.value]);
  useEffect(() => () => sound.peek()?.end(), []);
  const toggleSound = () => {
    sound.value?.end();
    sound.value = sound.value ? undefined : new WiggleSound();
  };
  return (
    <>
      <section class="wiggle" data-calm={calm} aria-live="assertive">
        <p class="wiggle-word">{lost.value ? 'No connection' : bad ? 'Dropped out' : 'Calm'}</p>
        <p>{wiggleWords(lost.value, silent, limping, disturbed.value ? last : undefined)}</p>
      </section>
      <Branches branch={now?.branch ?? ''} attempt={attempt} />
      {(now?.absent.length ?? 0) > 0 && <p class="problem">Never heard since the test began, so not watched: {now?.absent.join(', ')}</p>}
      {(now?.unseenFrames ?? 0) > 0 && (
        <p class="problem">{now?.unseenFrames} frames were lost or came late: what drops out may be ours, not the bus's.</p>
      )}
      <WriterField />
      <div class="big-acts">
        <button
          type="button"
          class="button main huge"
          onClick={() => void attempt(() => keepTest('/api/checks/watch/finish', { test: 'wiggle' }))}
        >
          End and keep
        </button>
        <button type="button" class="button huge" onClick={() => void attempt(() => sendJson('DELETE', '/api/checks/watch', undefined))}>
          End the test
        </button>
        <button type="button" class="button huge" aria-pressed={sound.value !== undefined} onClick={toggleSound}>
          {sound.value ? 'Tone is on' : 'Hear a tone that changes'}
        </button>
        <button type="button" class="button huge" onClick={() => print()}>
          Print
        </button>
      </div>
      <Events events={events.value} />
    </>
  );
}

function wiggleWords(lost: boolean, silent: string[], limping: string[], last: WatchEventView | undefined): string {
  if (lost) return 'Nothing comes from the program: this screen says nothing about the harness now.';
  const parts: string[] = [];
  if (silent.length > 0) parts.push(`${silent.join(', ')} silent`);
  if (limping.length > 0) parts.push(`${limping.join(', ')} with frames missing`);
  if (last) parts.push(last.say);
  return parts.length > 0 ? parts.join('. ') : 'All that was heard keeps coming.';
}

function Branches({ branch, attempt }: { branch: string; attempt: Attempt }) {
  const feed = useFeed();
  const own = useSignal('');
  const named = useSignal<string[]>([]);
  const stretches = (feed.vehicle.value?.buses ?? []).flatMap(({ trunk }) =>
    (trunk ?? []).slice(1).map((item, i) => `${trunk?.[i]?.name} – ${item.name}`),
  );
  const tap = (name: string) => void attempt(() => sendJson('POST', '/api/checks/watch/branch', { branch: name }));
  return (
    <section aria-labelledby="branches-title">
      <h2 id="branches-title">I move</h2>
      <div class="branches">
        {[...stretches, ...named.value].map((name) => (
          <button key={name} type="button" class="button huge" aria-pressed={name === branch} onClick={() => tap(name)}>
            {name}
          </button>
        ))}
      </div>
      <form
        class="branch-own"
        onSubmit={(event) => {
          event.preventDefault();
          const name = own.value.trim();
          if (name === '') return;
          if (!named.value.includes(name) && !stretches.includes(name)) named.value = [...named.value, name];
          own.value = '';
          tap(name);
        }}
      >
        <input
          type="text"
          aria-label="Another branch"
          placeholder="Another branch"
          maxLength={100}
          value={own}
          onInput={(event) => {
            own.value = event.currentTarget.value;
          }}
        />
        <button type="submit" class="button">
          Move this
        </button>
      </form>
    </section>
  );
}

const kindWords = { gap: 'Gap', back: 'Back', error: 'Error frame', counter: 'Counter', spike: 'Spike' } as const;

function Events({ events }: { events: WatchEventView[] }) {
  return (
    <section aria-labelledby="events-title">
      <h2 id="events-title">Events ({events.length})</h2>
      {events.length === 0 ? (
        <p class="quiet">None yet.</p>
      ) : (
        <div class="scroll-x">
          <table class="event-table">
            <thead>
              <tr>
                <th scope="col">When</th>
                <th scope="col">What</th>
                <th scope="col">Moving</th>
                <th scope="col">Points to</th>
              </tr>
            </thead>
            <tbody>
              {events.slice(0, 100).map((event) => (
                <tr key={event.number} data-kind={event.kind}>
                  <td>{new Date(event.wallMs).toLocaleTimeString()}</td>
                  <td>
                    <b>{kindWords[event.kind]}</b> {event.say}
                  </td>
                  <td>{event.branch || '–'}</td>
                  <td>{event.stretch ?? event.device ?? event.channel ?? event.bus}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
    </section>
  );
}
