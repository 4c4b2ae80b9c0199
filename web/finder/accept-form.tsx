// Writes a found place into its device's file as a signal: name, unit, factor, offset; then its channel's value as the vehicle reads it.
import { useSignal } from '@preact/signals';
import type { FindingView, SearchView, SignalRequest } from '../../server/contract/finder.ts';
import type { SavedDefinition } from '../../server/contract/table-import.ts';
import { access } from '../access/access.ts';
import { Reading } from '../shell/reading.tsx';
import { Problem, useAttempts } from '../shell/work.tsx';
import { sendJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';

/** An offset that is this small beside one step of the raw value is none. */
const offsetMinShare = 1e-3;

export function AcceptForm({ finding, search }: { finding: FindingView; search: SearchView }) {
  const feed = useFeed();
  const open = useSignal(false);
  const name = useSignal('');
  const unit = useSignal(search.unit);
  const [factor, offset] = [useSignal(scaleOf(finding, search).factor), useSignal(scaleOf(finding, search).offset)];
  const device = useSignal(finding.devices[0] ?? '');
  const { problem, attempt } = useAttempts();
  const saved = useSignal<{ definition: SavedDefinition; channel: string } | undefined>(undefined);
  const submit = async (event: Event) => {
    event.preventDefault();
    const request: SignalRequest = {
      device: device.value,
      name: name.value,
      ...(unit.value === '' ? {} : { unit: unit.value }),
      factor: toNumber(factor.value),
      offset: toNumber(offset.value),
    };
    await attempt(async () => {
      const definition = await sendJson<SavedDefinition>(
        'POST',
        `/api/searches/${search.search}/findings/${finding.number}/signal`,
        request,
      );
      saved.value = { definition, channel: name.value };
    });
  };
  if (saved.value) {
    const { channel } = saved.value;
    const isRead = feed.vehicle.value?.channels.some((known) => known.name === channel) === true;
    return <Saved {...saved.value} isRead={isRead} />;
  }
  if (!open.value) {
    return (
      <button
        type="button"
        class="button"
        disabled={access.value?.role === 'viewer'}
        onClick={() => {
          open.value = true;
        }}
      >
        Write it down
      </button>
    );
  }
  const units = [...new Set((feed.vehicle.value?.channels ?? []).map((channel) => channel.unit))].filter((known) => known !== '');
  return (
    <form class="accept-form" onSubmit={(event) => void submit(event)}>
      <Field says="Name of the channel" value={name} pattern="[a-z][a-z0-9_]*" hint="sump_temp" needed />
      <Field says="Unit" value={unit} list="finder-units" />
      <datalist id="finder-units">
        {units.map((known) => (
          <option key={known} value={known} />
        ))}
      </datalist>
      <Field says="Factor" value={factor} pattern="[-−]?[0-9]*[.,]?[0-9]+(e[-+]?[0-9]+)?" needed />
      <Field says="Offset" value={offset} pattern="[-−]?[0-9]*[.,]?[0-9]+(e[-+]?[0-9]+)?" needed />
      <label>
        Device that sends it
        <select
          value={device.value}
          onChange={(event) => {
            device.value = event.currentTarget.value;
          }}
        >
          {finding.devices.map((known) => (
            <option key={known} value={known}>
              {known}
            </option>
          ))}
        </select>
      </label>
      <button type="submit" class="button main">
        Write into the device file
      </button>
      <Problem text={problem.value} />
    </form>
  );
}

interface FieldProps {
  says: string;
  value: { value: string };
  pattern?: string;
  hint?: string;
  list?: string;
  needed?: boolean;
}

function Field({ says, value, pattern, hint, list, needed }: FieldProps) {
  return (
    <label>
      {says}
      <input
        type="text"
        value={value.value}
        required={needed === true}
        autocapitalize="off"
        spellcheck={false}
        {...(pattern ? { pattern } : {})}
        {...(hint ? { placeholder: hint } : {})}
        {...(list ? { list } : {})}
        onInput={(event) => {
          value.value = event.currentTarget.value.trim();
        }}
      />
    </label>
  );
}

function Saved({ definition, channel, isRead }: { definition: SavedDefinition; channel: string; isRead: boolean }) {
  return (
    <div class="finding-saved" role="status">
      <p>
        Written to <code>{definition.path}</code>, line {definition.line}; nothing else in the file moved.
      </p>
      <pre class="bytes">{definition.added}</pre>
      <p>
        {isRead ? (
          <>
            It reads <Reading channel={channel} />
          </>
        ) : (
          'The server takes it up within a moment.'
        )}
      </p>
    </div>
  );
}

/** What turns raw values into the followed channel's; of what was done alone nobody knows a scale. */
function scaleOf({ factor, offset }: FindingView, { like }: SearchView): { factor: string; offset: string } {
  if (like === null) return { factor: '1', offset: '0' };
  const six = (value: number) => String(Number(value.toPrecision(6)));
  return { factor: six(factor), offset: Math.abs(offset) < Math.abs(factor) * offsetMinShare ? '0' : six(offset) };
}

function toNumber(text: string): number {
  return Number(text.replace('−', '-').replace(',', '.'));
}
