// Readings of bus line and plugs typed from a multimeter, what they mean, and kept as a run.
import { type Signal, useSignal } from '@preact/signals';
import type { ComponentChildren } from 'preact';
import type { LineReading, VerdictView } from '../../server/contract/checks.ts';
import { WriterField } from '../log-book/write-down.tsx';
import { useAttempts } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { CheckPage } from './check-page.tsx';
import { keepTest } from './kept-test.tsx';
import { VerdictRow } from './verdict-list.tsx';

export function LinePage() {
  const buses = useFeed().vehicle.value?.buses ?? [];
  const bus = useSignal('');
  const [ohm, high, low] = [useSignal(''), useSignal(''), useSignal('')];
  const answers = useSignal<Answer[]>([]);
  const readings = useSignal<(LineReading & { wallMs: number })[]>([]);
  const { problem, attempt } = useAttempts();
  const ask = (typed: Typed) =>
    attempt(async () => {
      const chosen = bus.value || buses[0]?.name;
      const query = 'device' in typed || !chosen ? typed : { ...typed, bus: chosen };
      const verdict = await getJson<VerdictView>(`/api/checks/line?${new URLSearchParams(query)}`);
      answers.value = [{ kind: toKind(typed), verdict }, ...answers.value];
      readings.value = [...readings.value, { ...toReading(query), wallMs: Date.now() }];
    });
  const keep = () => attempt(() => keepTest('/api/checks/line', { readings: readings.value }));
  return (
    <CheckPage title="Line readings" problem={problem.value}>
      {buses.length > 1 && (
        <label class="check-field">
          Bus
          <select
            value={bus.value || buses[0]?.name}
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
        <Answers of="resistance" answers={answers} />
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
        <Answers of="lines" answers={answers} />
      </section>
      <DeviceVolts devices={buses.flatMap(({ devices }) => devices.map(({ name }) => name))} onAsk={(typed) => void ask(typed)}>
        <Answers of="device" answers={answers} />
      </DeviceVolts>
      {readings.value.length > 0 && (
        <section class="panel line-form" aria-label="Keep">
          <WriterField />
          <div class="big-acts">
            <button type="button" class="button main huge" onClick={() => void keep()}>
              Keep {readings.value.length === 1 ? 'this reading' : `these ${readings.value.length} readings`}
            </button>
          </div>
        </section>
      )}
    </CheckPage>
  );
}

type ReadingKind = 'resistance' | 'lines' | 'device';

/** What a reading means. */
interface Answer {
  kind: ReadingKind;
  verdict: VerdictView;
}

function toKind(typed: Typed): ReadingKind {
  if ('device' in typed) return 'device';
  return 'ohm' in typed ? 'resistance' : 'lines';
}

/** Beneath the button that asked: on a phone the end of the page is far away. */
function Answers({ of, answers }: { of: ReadingKind; answers: Signal<Answer[]> }) {
  const own = answers.value.filter(({ kind }) => kind === of);
  return (
    <ol class="plain verdict-rows" aria-live="polite">
      {own.map(({ verdict }, i) => (
        <VerdictRow key={own.length - i} verdict={verdict} />
      ))}
    </ol>
  );
}

/** What was typed, as the address takes it. */
type Typed = Record<string, string>;

function toReading(typed: Typed): LineReading {
  const numbers = Object.entries(typed).map(([key, text]) => [
    key,
    ['bus', 'device'].includes(key) || text === 'open' ? text : Number(text),
  ]);
  return Object.fromEntries(numbers) as LineReading;
}

function DeviceVolts({ devices, onAsk, children }: { devices: string[]; onAsk(typed: Typed): void; children: ComponentChildren }) {
  const device = useSignal('');
  const [battery, supply, ground] = [useSignal(''), useSignal(''), useSignal('')];
  const name = device.value || devices[0];
  const empty = [battery, supply, ground].some(({ value }) => value.trim() === '');
  return (
    <section class="panel line-form" aria-labelledby="device-title">
      <h2 id="device-title">Supply and ground at a device</h2>
      <p>Everything switched on. All three against the battery's negative post; into the plug from behind, without unplugging it.</p>
      <label class="check-field">
        Device
        <select
          value={name}
          onChange={(event) => {
            device.value = event.currentTarget.value;
          }}
        >
          {devices.map((one) => (
            <option key={one} value={one}>
              {one}
            </option>
          ))}
        </select>
      </label>
      <Entry label="Battery, positive post, volts" value={battery} />
      <Entry label="Supply pin, volts" value={supply} />
      <Entry label="Ground pin, volts" value={ground} />
      <div class="big-acts">
        <button
          type="button"
          class="button main huge"
          disabled={empty || !name}
          onClick={() =>
            onAsk({
              device: name ?? '',
              battery: toNumber(battery.value),
              supply: toNumber(supply.value),
              ground: toNumber(ground.value),
            })
          }
        >
          What do they mean?
        </button>
      </div>
      {children}
    </section>
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
