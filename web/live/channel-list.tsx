// Every channel of the vehicle with its value now, found by any part of its name.
import { useComputed, useSignal } from '@preact/signals';
import type { ChannelView } from '../../server/contract/vehicle-view.ts';
import { ownNames } from '../shell/channel-names.ts';
import { toWords } from '../shell/numbers.ts';
import { Reading } from '../shell/reading.tsx';
import { useFeed } from '../stream/feed.ts';

const shownMax = 60;

export function ChannelList() {
  const open = useSignal(false);
  return (
    <details
      class="panel channels"
      onToggle={(event) => {
        open.value = event.currentTarget.open;
      }}
    >
      <summary>
        <h2>All channels</h2>
      </summary>
      {open.value && <Found />}
    </details>
  );
}

function Found() {
  const feed = useFeed();
  const search = useSignal('');
  const found = useComputed(() => (feed.vehicle.value?.channels ?? []).filter((channel) => matches(channel, search.value)));
  const more = found.value.length - shownMax;
  return (
    <>
      <input
        type="search"
        placeholder="part of a name"
        aria-label="Search channels"
        value={search}
        onInput={(event) => {
          search.value = event.currentTarget.value;
        }}
      />
      <ul class="plain" aria-label="Channels found">
        {found.value.slice(0, shownMax).map((channel) => (
          <li key={channel.name}>
            <span>
              {channel.name} {ownNames.value.has(channel.name) && <span class="quiet">{toWords(channel.name)}</span>}
            </span>
            <Reading channel={channel.name} />
          </li>
        ))}
      </ul>
      {more > 0 && <p class="small quiet">and {more} more: type a part of the name</p>}
    </>
  );
}

/** Every word typed must occur in the name, the one that this browser gives it, its device or its unit. */
function matches(channel: ChannelView, search: string): boolean {
  const text =
    `${channel.name.replaceAll('_', ' ')} ${channel.name} ${toWords(channel.name)} ${channel.device ?? ''} ${channel.unit}`.toLowerCase();
  return search
    .toLowerCase()
    .split(/\s+/)
    .every((word) => text.includes(word));
}
