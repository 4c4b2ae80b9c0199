// Readings of the bus line typed from a multimeter, and what they mean.
import { type Signal, useSignal } from '@preact/signals';
import type { VerdictView } from '../../server/contract/checks.ts';
import { toAddress } from '../router.tsx';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { toProblemText } from './following.ts';
import { VerdictRow } from './verdict-list.tsx';

export function LinePage() {
  const buses = useFeed().vehicle.value?.buses ?? [];
  const bus = useSignal('');
  const [ohm, high, low] = [useSignal(''), useSignal(''), useSignal('')];
  const verdicts = useSignal<VerdictView[]>([]);
  const problem = useSignal('');
  const ask = async (query: Record<string, string>) => {
    try {
      const chosen = bus.value || buses[0]?.name;
      const verdict = await getJson<VerdictView>(
        `/api/checks/line?${new URLSearchParams({ ...query, ...(chosen ? { bus: chosen } : {}) })}`,
      );
      verdicts.value = [verdict, ...verdicts.value];
      problem.value = '';
    } catch (error) {
      problem.value = toProblemText(error);
    }
  };
  return (
    <div class="page checks-page">
      <p>
        <a class="button" href={toAddress('checks')}>
          All checks
        </a>
      </p>
      <h1>Line readings</h1>
      {problem.value && (
        <p class="problem" role="alert">
          {problem}
        </p>
      )}
      {buses.length > 1 && (
        <label class="check-field">
          Bus
          <select
            value={bus}
            onChange={(event) => {
              bus.value = event.currentTarget.value;
            }}
          >
            {buses.map(({ name }) => (
              <option key={name} value={name}>
                {name}
              </option>
            ))}
          </select>
        </label>
      )}
      <section class="panel line-form" aria-labelledby="ohm-title">
        <h2 id="ohm-title">Resistance between the two lines</h2>
        <p>All power off, batteries disconnected, this plug open. Two terminators of 120 Ω read 60 Ω.</p>
        <Entry label="Reading, ohm" value={ohm} onEnter={() => void ask({ ohm: toNumber(ohm.value) })} />
        <div class="big-acts">
          <button
            type="button"
            class="button main huge"
            disabled={ohm.value.trim() === ''}
            onClick={() => void ask({ ohm: toNumber(ohm.value) })}
          >
            What does it mean?
          </button>
          <button type="button" class="button huge" onClick={() => void ask({ ohm: 'open' })}>
            It reads open
          </button>
        </div>
      </section>
      <section class="panel line-form" aria-labelledby="volt-title">
        <h2 id="volt-title">Voltage of each line against ground</h2>
        <p>Key on, devices talking, a multimeter that averages.</p>
        <Entry label="High line, volts" value={high} />
        <Entry label="Low line, volts" value={low} />
        <div class="big-acts">
          <button
            type="button"
            class="button main huge"
            disabled={high.value.trim() === '' || low.value.trim() === ''}
            onClick={() => void ask({ high: toNumber(high.value), low: toNumber(low.value) })}
          >
            What do they mean?
          </button>
        </div>
      </section>
      <ol class="plain verdict-rows" aria-live="polite">
        {verdicts.value.map((verdict, i) => (
          <VerdictRow key={verdicts.value.length - i} verdict={verdict} />
        ))}
      </ol>
    </div>
  );
}

/** A comma is a point where people write it so. */
function toNumber(text: string): string {
  return text.trim().replace(',', '.').replace('−', '-');
}

function Entry({ label, value, onEnter }: { label: string; value: Signal<string>; onEnter?: () => void }) {
  return (
    <label class="check-field">
      {label}
      <input
        type="text"
        inputMode="decimal"
        value={value}
        onInput={(event) => {
          value.value = event.currentTarget.value;
        }}
        onKeyDown={(event) => event.key === 'Enter' && value.value.trim() !== '' && onEnter?.()}
      />
    </label>
  );
}
