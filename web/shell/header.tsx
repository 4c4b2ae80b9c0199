// The line on top of every page: which page, and how far what it shows can be trusted right now.
import { useComputed, useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import type { BusStatus, StationStatus } from '../../server/contract/status.ts';
import { wakeState } from '../capabilities.ts';
import { pages, place, toAddress } from '../router.tsx';
import { useFeed } from '../stream/feed.ts';
import type { LiveSource } from '../stream/live-source.ts';
import { type AwakeChoice, awakeChoice } from './awake.ts';
import { keyHelpOpen } from './keys.tsx';
import { type ContrastChoice, contrastChoice, farView, type ThemeChoice, themeChoice } from './looks.ts';
import { type DecimalChoice, decimalChoice, toCountText, toUnitWord } from './numbers.ts';
import { soundState, turnSoundOff, turnSoundOn } from './sound.ts';
import { choicesOf, dimensions, unitChoices } from './units.ts';

export function Header({ source }: { source: LiveSource }) {
  const feed = useFeed();
  return (
    <header class="header">
      <a class="mark" href={toAddress('live')}>
        <Mark />
        <span class="vehicle">{feed.vehicle.value?.name ?? 'Evenburn'}</span>
        <span class="visually-hidden"> to the Live page</span>
      </a>
      <Tabs />
      <div class="states">
        <LinkState source={source} />
        <RecordingState />
        <LossState />
      </div>
      <div class="tools">
        <SoundButton />
        <button type="button" class="button slim" aria-pressed={farView} onClick={toggleFar} title="Few and huge numbers (v)">
          Far
        </button>
        <LooksMenu />
      </div>
    </header>
  );
}

/** Six bars on one level, one of them off it. */
function Mark() {
  return (
    <svg viewBox="0 0 40 24" width="40" height="24" aria-hidden="true" class="mark-sign">
      <path d="M0 13h40" class="level" />
      <path d="M3 9h5v4H3zM11 13h5v3h-5zM27 13h5v4h-5z" class="near" />
      <path d="M19 2h5v11h-5z" class="far" />
    </svg>
  );
}

function toggleFar(): void {
  farView.value = !farView.value;
  if (farView.value) location.hash = toAddress('live');
}

function Tabs() {
  const current = place.value.page;
  const menu = useRef<HTMLDetailsElement>(null);
  const tab = current.under ?? current.name;
  const links = pages
    .filter(({ under }) => under === undefined)
    .map((page) => (
      <a
        key={page.name}
        class="tab"
        href={toAddress(page.name)}
        aria-current={page.name === tab ? 'page' : undefined}
        onClick={() => menu.current?.removeAttribute('open')}
      >
        {page.title}
      </a>
    ));
  return (
    <>
      <nav class="tabs" aria-label="Pages">
        {links}
      </nav>
      <details class="tab-menu" ref={menu}>
        <summary class="button">{current.title}</summary>
        <nav aria-label="Pages">{links}</nav>
      </details>
    </>
  );
}

const linkWords = { connecting: 'Connecting', live: 'Live', silent: 'Silent', lost: 'Lost' } as const;

/** Connection and data age, four times a second. */
function LinkState({ source }: { source: LiveSource }) {
  const feed = useFeed();
  const age = useSignal('');
  useEffect(() => {
    const timer = setInterval(() => {
      const ms = source.ageMs();
      age.value = Number.isFinite(ms) ? `${(ms / 1000).toFixed(1)} s` : '–';
    }, 250);
    return () => clearInterval(timer);
  }, [source]);
  const link = feed.link.value;
  return (
    <span class="state" data-state={link}>
      <span role="status">
        <span class="sign" aria-hidden="true" />
        {linkWords[link]}
      </span>
      <span class="quiet small age" title="Age of the newest data">
        <span class="visually-hidden">data age </span>
        {age}
      </span>
    </span>
  );
}

const recordingWords = {
  off: 'Not recording',
  idle: 'Waiting',
  recording: 'Recording',
  slow: 'Disk slow',
  stopped: 'Not recording',
} as const;

function RecordingState() {
  const recording = useFeed().status.value?.recording;
  if (!recording) return null;
  const about = [recording.session === null ? '' : `session ${recording.session}`, recording.detail].filter(Boolean).join(', ');
  return (
    <span class="state" data-state={recording.state} title={about}>
      <span class="sign" aria-hidden="true" />
      {recordingWords[recording.state]}
      {recording.detail && <span class="visually-hidden">: {recording.detail}</span>}
    </span>
  );
}

/** Frames lost on all buses, and what to know about a bus that isn't up. */
function LossState() {
  const status = useFeed().status.value;
  if (!status) return null;
  const lost = status.buses.reduce((sum, bus) => sum + lostOf(bus), 0);
  const troubled = status.buses.filter((bus) => bus.state !== 'up' && bus.state !== 'ended');
  return (
    <>
      <span class="state" data-state={lost > 0 ? 'loss' : 'whole'} title={lossTitle(status)}>
        {lost > 0 ? `${toCountText(lost)} lost` : 'None lost'}
      </span>
      {troubled.map((bus) => (
        <span key={bus.bus} class="state" data-state="down" title={bus.detail}>
          <span class="sign" aria-hidden="true" />
          {bus.bus}: {bus.state === 'none' ? 'no source' : bus.state}
        </span>
      ))}
    </>
  );
}

function lostOf(bus: BusStatus): number {
  return bus.loss.adapter + bus.loss.beforeReader + bus.loss.queue;
}

function lossTitle(status: StationStatus): string {
  const each = status.buses.map(
    ({ bus, loss }) =>
      `${bus}: ${loss.adapter} in the adapter or driver, ${loss.beforeReader} before the reader, ${loss.queue} by a full queue, ${loss.late} late`,
  );
  return [...each, "What an adapter loses inside and doesn't report can't be seen."].join('\n');
}

/** A badge stays while sound is off: nobody should believe that it would be heard. */
function SoundButton() {
  const state = soundState.value;
  const on = state === 'on';
  return (
    <button
      type="button"
      class="button slim sound"
      data-state={state}
      aria-pressed={on}
      onClick={() => (on ? void turnSoundOff() : void turnSoundOn())}
      title={on ? 'Sound is on. Press to turn it off.' : 'Press once: sounds a test tone, and alarms will be heard.'}
    >
      {on ? 'Sound on' : 'Sound off'}
    </button>
  );
}

const themeWords: Record<ThemeChoice, string> = { system: 'As the system', dark: 'Dark', light: 'Light' };
const contrastWords: Record<ContrastChoice, string> = { system: 'As the system', normal: 'Normal', more: 'High, for sunlight' };
const decimalWords: Record<DecimalChoice, string> = { system: 'As the browser', point: '0.5', comma: '0,5' };
const awakeWords: Record<AwakeChoice, string> = { live: 'Stays awake while live', never: 'May sleep' };
const wakeWords = {
  on: 'The screen stays awake.',
  off: '',
  refused: 'This browser let the screen sleep (low battery?).',
  absent: "The screen may sleep: not available over plain http. Set the device's own screen time-out.",
} as const;

function LooksMenu() {
  const test = useComputed(() => (soundState.value === 'on' ? 'Play the test tone again' : 'Turn sound on, with a test tone'));
  return (
    <details class="looks-menu">
      <summary class="button slim" aria-label="How pages look and sound">
        <svg viewBox="0 0 24 24" width="24" height="24" aria-hidden="true">
          <path d="M4 7h9M17 7h3M4 17h3M11 17h9" stroke="currentColor" stroke-width="2" fill="none" />
          <circle cx="15" cy="7" r="2.4" fill="none" stroke="currentColor" stroke-width="2" />
          <circle cx="9" cy="17" r="2.4" fill="none" stroke="currentColor" stroke-width="2" />
        </svg>
      </summary>
      <div class="looks panel">
        <Choice title="Theme" words={themeWords} value={themeChoice} />
        <Choice title="Contrast" words={contrastWords} value={contrastChoice} />
        <Choice title="Decimals" words={decimalWords} value={decimalChoice} />
        <details class="unit-choices">
          <summary>Units on this browser</summary>
          {dimensions.map((dimension) => (
            <Choice
              key={dimension}
              title={`${dimension[0]?.toUpperCase()}${dimension.slice(1)}`}
              words={unitWordsOf(choicesOf(dimension))}
              value={unitChoices[dimension]}
            />
          ))}
        </details>
        <button type="button" class="button" onClick={() => void turnSoundOn()}>
          {test}
        </button>
        <Choice title="Screen" words={awakeWords} value={awakeChoice} />
        <p class="small quiet">{wakeWords[wakeState.value]}</p>
        <button
          type="button"
          class="button"
          onClick={() => {
            keyHelpOpen.value = true;
          }}
        >
          Keys (?)
        </button>
      </div>
    </details>
  );
}

function unitWordsOf(units: readonly string[]): Record<string, string> {
  return Object.fromEntries(units.map((unit) => [unit, unit === 'declared' ? 'As in the files' : toUnitWord(unit)]));
}

function Choice<T extends string>({ title, words, value }: { title: string; words: Record<T, string>; value: { value: T } }) {
  return (
    <label class="choice">
      <span>{title}</span>
      <select
        value={value.value}
        onChange={(event) => {
          value.value = event.currentTarget.value as T;
        }}
      >
        {(Object.keys(words) as T[]).map((key) => (
          <option key={key} value={key}>
            {words[key]}
          </option>
        ))}
      </select>
    </label>
  );
}
