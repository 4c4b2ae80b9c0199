// The first steps of a vehicle: where frames come from, what is on the bus, which device sends it, what its channels are called, saved.
import './vehicle.css';
import './begin.css';
import { type Signal, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { BeginningView } from '../../server/contract/beginning.ts';
import type { FramesView } from '../../server/contract/frames.ts';
import { access } from '../access/access.ts';
import { toAddress } from '../router.tsx';
import { Reading } from '../shell/reading.tsx';
import { Problem } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { writeDraft } from './beginning-draft.ts';
import { DiffView } from './diff-view.tsx';
import { TextEntry } from './form-field.tsx';
import { NameChannels } from './name-channels.tsx';
import type { NewDevice } from './new-device.ts';
import { draft } from './open-draft.ts';
import { SeenIds } from './seen-ids.tsx';
import { SourceChoice } from './source-choice.tsx';
import { ProblemList } from './text-editor.tsx';

const refreshMs = 1000;

export function BeginPage() {
  const beginning = useAsked<BeginningView>('/api/beginning');
  const frames = useAsked<FramesView>('/api/frames');
  const feed = useFeed();
  const devices = useSignal<readonly NewDevice[]>([]);
  const vehicle = useSignal('My vehicle');
  const channels = useSignal<readonly string[]>([]);
  useEffect(() => void draft.read(), []);
  if (access.value?.role !== 'crew') return <Watching />;
  const buses = feed.vehicle.value?.buses ?? [];
  const write = () => void writeDraft({ devices: devices.value, vehicle: vehicle.value, buses, sources: beginning.value?.buses ?? [] });
  const put = (next: readonly NewDevice[]) => {
    devices.value = next;
    write();
  };
  const saved = () => {
    channels.value = [
      ...channels.value,
      ...devices.value.flatMap(({ frames }) => frames.flatMap(({ signals }) => signals.map(({ name }) => name))),
    ];
    devices.value = [];
  };
  return (
    <div class="page begin-page">
      <h1>What is on your bus?</h1>
      <p>From a bus that nobody has described to the first named channel. Nothing is ever sent on it.</p>
      <ol class="plain steps">
        <li class="panel">
          <h2>1. Where frames come from</h2>
          <SourceChoice view={beginning.value} frames={frames.value} />
        </li>
        <li class="panel">
          <h2>2. Which ids belong together</h2>
          <SeenIds frames={frames.value} devices={devices.value} onDevice={(device) => put([...devices.value, device])} />
        </li>
        <li class="panel">
          <h2>3. What their bytes are called</h2>
          <NameChannels devices={devices.value} frames={frames.value} onChange={put} />
        </li>
        <li class="panel">
          <h2>4. Saved as files of your own</h2>
          {isFirst() && (
            <label class="vehicle-name" for="vehicle-name">
              Name of the vehicle
              <TextEntry
                id="vehicle-name"
                shown={vehicle.value}
                put={(typed) => {
                  vehicle.value = typed.trim() || 'My vehicle';
                  if (devices.value.length > 0) write();
                }}
              />
            </label>
          )}
          {devices.value.length === 0 && channels.value.length === 0 && <p class="quiet">When something is described above.</p>}
          {devices.value.length > 0 && <SaveStep onSaved={saved} />}
          {channels.value.length > 0 && devices.value.length === 0 && (
            <Saved channels={channels.value} command={beginning.value?.command ?? ''} />
          )}
        </li>
      </ol>
    </div>
  );
}

function isFirst(): boolean {
  return draft.base.value?.files.every(({ path }) => path !== 'vehicle.yaml') === true;
}

function SaveStep({ onSaved }: { onSaved(): void }) {
  return (
    <>
      <Problem text={draft.trouble.value} />
      {draft.problems.value.length > 0 && (
        <ProblemList
          draft={draft}
          goTo={({ file }) => {
            location.hash = toAddress('vehicle', ...file.split('/'));
          }}
        />
      )}
      <DiffView draft={draft} onSaved={onSaved} />
    </>
  );
}

/** The first channels, live, and where to go from here. */
function Saved({ channels, command }: { channels: readonly string[]; command: string }) {
  const feed = useFeed();
  // The button that saved is gone: who works by keyboard or by ear goes on here.
  const word = useRef<HTMLParagraphElement>(null);
  useEffect(() => word.current?.focus(), []);
  return (
    <div class="saved-channels">
      <p ref={word} tabIndex={-1}>
        Saved. The channels are read from now on, in what was recorded before too when it is read again:
      </p>
      <ul class="plain">
        {channels.map((channel) => (
          <li key={channel}>
            <span>{channel}</span>{' '}
            {feed.vehicle.value?.channels.some(({ name }) => name === channel) ? (
              <Reading channel={channel} />
            ) : (
              <span class="quiet">coming</span>
            )}
          </li>
        ))}
      </ul>
      <p>
        <a class="button main" href={toAddress('live')}>
          To the Live page
        </a>{' '}
        <a class="button" href={toAddress('vehicle')}>
          Describe the engine
        </a>
      </p>
      <p>
        The next time, start it with <code class="command">{command}</code>
      </p>
    </div>
  );
}

function Watching() {
  return (
    <div class="page page-note">
      <h1>What is on your bus?</h1>
      <p>Only the crew describes a vehicle: log in as crew.</p>
    </div>
  );
}

/** Asked again and again while the page is looked at. */
function useAsked<T>(address: string): Signal<T | undefined> {
  const answer = useSignal<T | undefined>(undefined);
  useEffect(() => {
    const ask = () => {
      if (document.hidden) return;
      getJson<T>(address).then(
        (found) => {
          answer.value = found;
        },
        // The server may be starting again with another source.
        () => undefined,
      );
    };
    ask();
    const timer = setInterval(ask, refreshMs);
    return () => clearInterval(timer);
  }, [address, answer]);
  return answer;
}
