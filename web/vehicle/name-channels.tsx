// The bytes of the new devices' frames, to be read as channels: what they would read as now stands beside.
import { useSignal } from '@preact/signals';
import type { FramesView, SeenFrame } from '../../server/contract/frames.ts';
import { BitGrid } from '../frames/bit-grid.tsx';
import { toAddress } from '../router.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { useFeed } from '../stream/feed.ts';
import { faultOfName, type NewDevice, type NewSignal, previewOf } from './new-device.ts';

interface NameChannelsProps {
  devices: readonly NewDevice[];
  frames: FramesView | undefined;
  onChange(devices: readonly NewDevice[]): void;
}

export function NameChannels({ devices, frames, onChange }: NameChannelsProps) {
  const feed = useFeed();
  const named = new Set(devices.flatMap((device) => device.frames.flatMap(({ signals }) => signals.map(({ name }) => name))));
  const taken = (name: string) => named.has(name) || feed.findChannel(name) !== undefined;
  const put = (at: number, frame: number, signals: NewSignal[]) =>
    onChange(
      devices.map((device, i) =>
        i === at ? { ...device, frames: device.frames.map((one, k) => (k === frame ? { ...one, signals } : one)) } : device,
      ),
    );
  if (devices.length === 0) return <p class="quiet">Devices made above come here.</p>;
  return (
    <>
      <p>
        Not known what they mean? Save the device as it is, then{' '}
        <a class="step-link" href={toAddress('finder')}>
          find a signal
        </a>{' '}
        by what you do to the engine.
      </p>
      {devices.map((device, i) => (
        <section key={device.device} aria-label={device.device}>
          <h3>{device.device}</h3>
          <button type="button" class="button slim" onClick={() => onChange(devices.filter((one) => one !== device))}>
            Take {device.device} back
          </button>
          {device.frames.map(({ seen, signals }, k) => (
            <FrameChannels
              key={seen.idHex}
              seen={frames?.frames.find((frame) => frame.bus === seen.bus && frame.idHex === seen.idHex) ?? seen}
              signals={signals}
              taken={taken}
              put={(next) => put(i, k, next)}
            />
          ))}
        </section>
      ))}
    </>
  );
}

interface FrameChannelsProps {
  seen: SeenFrame;
  signals: readonly NewSignal[];
  taken(name: string): boolean;
  put(signals: NewSignal[]): void;
}

function FrameChannels({ seen, signals, taken, put }: FrameChannelsProps) {
  const lit = new Set(signals.flatMap(({ firstByte, lastByte }) => bitsOf(firstByte, lastByte)));
  return (
    <details class="part" open>
      <summary>
        <code class="part-name">{seen.idHex}</code>
        <span class="quiet small">{signals.length === 0 ? 'no channel yet' : signals.map(({ name }) => name).join(', ')}</span>
      </summary>
      <div class="part-inside">
        <BitGrid
          bytes={seen.bytes}
          lengthBytes={seen.length}
          changed={seen.changedBits}
          lit={lit}
          label={`Bytes ${seen.bytes}; bits that changed ${seen.changedBits}`}
        />
        <ul class="plain">
          {signals.map((signal) => (
            <li key={signal.name} class="named-signal">
              <b>{signal.name}</b> {toText(previewOf(seen.bytes, signal), signal)} {signal.unit}
              <button type="button" class="button slim" onClick={() => put(signals.filter((one) => one !== signal))}>
                Remove {signal.name}
              </button>
            </li>
          ))}
        </ul>
        {seen.length > 0 && <AddChannel seen={seen} taken={taken} add={(signal) => put([...signals, signal])} />}
      </div>
    </details>
  );
}

function bitsOf(first: number, last: number): number[] {
  return Array.from({ length: 8 * Math.max(0, last - first + 1) }, (_, i) => 8 * first + i);
}

function toText(value: number | undefined, { factor }: Pick<NewSignal, 'factor'>): string {
  if (value === undefined) return 'the frame is too short now';
  return toNumberText(value, Number.isInteger(factor) ? 0 : 3);
}

const units = [
  '',
  'rpm',
  '%',
  'degC',
  'kPa',
  'bar',
  'V',
  'ms',
  'deg',
  'lambda',
  'K',
  'psi',
  'degF',
  'A',
  'km/h',
  'L/h',
  'count',
  's',
  'Hz',
];

function AddChannel({ seen, taken, add }: { seen: SeenFrame; taken(name: string): boolean; add(signal: NewSignal): void }) {
  const name = useSignal('');
  const first = useSignal(0);
  const length = useSignal(seen.length >= 2 ? 2 : 1);
  const order = useSignal<'little' | 'big'>('little');
  const sign = useSignal<'unsigned' | 'signed'>('unsigned');
  const factor = useSignal('1');
  const offset = useSignal('0');
  const unit = useSignal('');
  const id = seen.idHex;
  const signal: NewSignal = {
    name: name.value.trim(),
    firstByte: first.value,
    lastByte: Math.min(seen.length, first.value + length.value) - 1,
    byteOrder: order.value,
    sign: sign.value,
    factor: Number(factor.value.replace(',', '.')),
    offset: Number(offset.value.replace(',', '.')),
    unit: unit.value,
  };
  const isNumber = Number.isFinite(signal.factor) && Number.isFinite(signal.offset) && signal.factor !== 0;
  const fault = isNumber ? faultOfName(signal.name, taken) : 'Factor and offset are numbers, and the factor is not 0.';
  return (
    <form
      class="add-channel"
      onSubmit={(event) => {
        event.preventDefault();
        if (fault !== '') return;
        add(signal);
        name.value = '';
        first.value = Math.min(seen.length - 1, signal.lastByte + 1);
      }}
    >
      <label class="wide">
        Channel
        <input
          type="text"
          value={name}
          placeholder="oil_pressure"
          autocapitalize="none"
          aria-describedby={`fault-${id}`}
          onInput={(event) => {
            name.value = event.currentTarget.value;
          }}
        />
      </label>
      <Numbers title="First byte" value={first} choices={Array.from({ length: seen.length }, (_, i) => i)} />
      <Numbers title="Bytes" value={length} choices={[1, 2, 3, 4, 5, 6, 7, 8].filter((count) => count <= seen.length)} />
      <Words title="First is" value={order} words={{ little: 'least significant', big: 'most significant' }} />
      <Words title="Sign" value={sign} words={{ unsigned: 'never negative', signed: 'may be negative' }} />
      <Text title="Factor" value={factor} />
      <Text title="Offset" value={offset} />
      <label>
        Unit
        <select
          value={unit.value}
          onChange={(event) => {
            unit.value = event.currentTarget.value;
          }}
        >
          {units.map((one) => (
            <option key={one} value={one}>
              {one || '(none)'}
            </option>
          ))}
        </select>
      </label>
      {/* No live region: it changes with every frame. */}
      <p class="preview">
        reads <b>{isNumber ? toText(previewOf(seen.bytes, signal), signal) : '–'}</b> {unit.value}
      </p>
      <p class="small quiet wide">
        The manual says which bytes, factor and offset. Without one: change them until this reads what a gauge shows, at rest and moved.
      </p>
      <button type="submit" class="button" disabled={fault !== ''}>
        Add channel
      </button>
      <p class="small quiet wide" id={`fault-${id}`}>
        {fault}
      </p>
    </form>
  );
}

function Numbers({ title, value, choices }: { title: string; value: { value: number }; choices: readonly number[] }) {
  return (
    <label>
      {title}
      <select
        value={value.value}
        onChange={(event) => {
          value.value = Number(event.currentTarget.value);
        }}
      >
        {choices.map((one) => (
          <option key={one} value={one}>
            {one}
          </option>
        ))}
      </select>
    </label>
  );
}

function Words<T extends string>({ title, value, words }: { title: string; value: { value: T }; words: Record<T, string> }) {
  return (
    <label>
      {title}
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

function Text({ title, value }: { title: string; value: { value: string } }) {
  return (
    <label>
      {title}
      <input
        type="text"
        inputMode="decimal"
        value={value.value}
        onInput={(event) => {
          value.value = event.currentTarget.value;
        }}
      />
    </label>
  );
}
