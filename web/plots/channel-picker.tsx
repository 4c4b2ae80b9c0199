// Which channels of which sessions are plotted: chosen ones as buttons that take them out, others found by name.
import { useSignal } from '@preact/signals';
import type { SessionView } from '../../server/contract/sessions.ts';
import { toWords } from '../shell/numbers.ts';
import type { SessionRange, TraceChoice } from './plot-data.ts';

const foundMax = 24;

export interface ChannelPickerProps {
  sessions: SessionView[];
  ranges: ReadonlyMap<number | 'live', SessionRange>;
  choices: TraceChoice[];
  tracesMax: number;
  onChange(choices: TraceChoice[]): void;
  /** Another session is looked at: its channels are wanted. */
  onLook(session: number | 'live'): void;
}

export function ChannelPicker({ sessions, ranges, choices, tracesMax, onChange, onLook }: ChannelPickerProps) {
  const last = choices.at(-1)?.session ?? 'live';
  const session = useSignal<number | 'live'>(last);
  const search = useSignal('');
  const range = ranges.get(session.value);
  const words = search.value.toLowerCase().split(/\s+/);
  const names = [...(range?.units.keys() ?? [])].filter((name) =>
    words.every((word) => name.includes(word) || toWords(name).toLowerCase().includes(word)),
  );
  const chosen = (name: string) => choices.some((choice) => choice.session === session.value && choice.channel === name);
  return (
    <details class="panel picker" open={choices.length === 0}>
      <summary>
        <h2>Channels</h2> <span class="quiet">{choices.length} chosen</span>
      </summary>
      {choices.length > 0 && (
        <ul class="plain chips" aria-label="Chosen">
          {choices.map((choice) => (
            <li key={`${choice.session} ${choice.channel}`}>
              <button type="button" class="button chosen" onClick={() => onChange(choices.filter((other) => other !== choice))}>
                {choice.session === 'live' ? '' : `${choice.session} `}
                {choice.channel} <span aria-hidden="true">×</span>
                <span class="visually-hidden"> take out</span>
              </button>
            </li>
          ))}
        </ul>
      )}
      <div class="picker-search">
        <label>
          <span class="visually-hidden">Session</span>
          <select
            value={String(session.value)}
            onChange={(event) => {
              const { value } = event.currentTarget;
              session.value = value === 'live' ? 'live' : Number(value);
              onLook(session.value);
            }}
          >
            <option value="live">Live, the last hour</option>
            {sessions.map((about) => (
              <option key={about.session} value={String(about.session)}>
                {about.session}: {new Date(about.startedWallMs).toLocaleString()} {(about.name || about.note).slice(0, 40)}
              </option>
            ))}
          </select>
        </label>
        <input
          type="search"
          placeholder="part of a channel's name"
          aria-label="Search channels"
          value={search}
          onInput={(event) => {
            search.value = event.currentTarget.value;
          }}
        />
      </div>
      <ul class="plain chips" aria-label="Found">
        {names
          .filter((name) => !chosen(name))
          .slice(0, foundMax)
          .map((name) => (
            <li key={name}>
              <button
                type="button"
                class="button"
                disabled={choices.length >= tracesMax}
                onClick={() => onChange([...choices, { session: session.value, channel: name }])}
              >
                {name}
              </button>
            </li>
          ))}
      </ul>
    </details>
  );
}
