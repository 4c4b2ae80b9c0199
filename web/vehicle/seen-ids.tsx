// The ids that nothing describes yet, as they come, to be gathered into devices.
import { useSignal } from '@preact/signals';
import type { FramesView, SeenFrame } from '../../server/contract/frames.ts';
import { toByteList } from '../frames/bit-grid.tsx';
import { toAddress } from '../router.tsx';
import { toCountText } from '../shell/numbers.ts';
import { type NewDevice, periodOf } from './new-device.ts';
import { draft } from './open-draft.ts';

interface SeenIdsProps {
  frames: FramesView | undefined;
  devices: readonly NewDevice[];
  onDevice(device: NewDevice): void;
}

export function SeenIds({ frames, devices, onDevice }: SeenIdsProps) {
  const chosen = useSignal<ReadonlySet<string>>(new Set());
  const name = useSignal('');
  const taken = new Set(devices.flatMap((device) => device.frames.map(({ seen }) => keyOf(seen))));
  const seen = (frames?.frames ?? []).filter((frame) => frame.frame === null && !frame.remote && !taken.has(keyOf(frame)));
  const described = (frames?.frames.length ?? 0) - seen.length - taken.size;
  const picked = seen.filter((frame) => chosen.value.has(keyOf(frame)));
  const buses = new Set(picked.map(({ bus }) => bus));
  const fault = faultOf(name.value.trim(), picked, buses.size);
  const toggle = (key: string) => {
    const next = new Set(chosen.value);
    if (!next.delete(key)) next.add(key);
    chosen.value = next;
  };
  const make = (event: Event) => {
    event.preventDefault();
    const [bus] = buses;
    if (fault !== '' || bus === undefined) return;
    onDevice({ device: name.value.trim(), bus, frames: picked.map((frame) => ({ seen: frame, signals: [] })) });
    chosen.value = new Set();
    name.value = '';
  };
  return (
    <>
      <p>
        One device often sends neighbouring ids in the same rhythm. Unplug it, and its ids fall silent. Or take{' '}
        <a class="step-link" href={toAddress('tables')}>
          the table from its manual
        </a>
        .
      </p>
      {described > 0 && (
        <p class="quiet small">{described === 1 ? 'One more id is described already.' : `${described} more ids are described already.`}</p>
      )}
      {seen.length === 0 && (
        <p class="quiet">
          {frames?.frames.length
            ? taken.size > 0
              ? 'Every other id that was seen is described.'
              : 'Every id that was seen is described.'
            : 'No frame has come yet.'}
        </p>
      )}
      {seen.length > 0 && (
        <ul class="plain seen-ids">
          {seen.map((frame) => (
            <li key={keyOf(frame)}>
              <label>
                <input type="checkbox" checked={chosen.value.has(keyOf(frame))} onChange={() => toggle(keyOf(frame))} />
                <code class="frame-id">{frame.idHex}</code>
                <span class="quiet small">{aboutOf(frame)}</span>
                <span class="bytes seen-bytes" aria-hidden="true">
                  {toByteList(frame.bytes).map((byte, i) => (
                    <span key={i} data-changed={(toByteList(frame.changedBits)[i] ?? 0) !== 0}>
                      {byte.toString(16).toUpperCase().padStart(2, '0')}
                    </span>
                  ))}
                </span>
              </label>
            </li>
          ))}
        </ul>
      )}
      {seen.length > 0 && (
        <form class="make-device" onSubmit={make}>
          <label>
            {picked.length === 1 ? 'Device that sends the chosen id' : `Device that sends the ${picked.length} chosen ids`}
            <input
              type="text"
              value={name}
              placeholder="thermocouple-box"
              autocapitalize="none"
              aria-describedby="device-fault"
              onInput={(event) => {
                name.value = event.currentTarget.value;
              }}
            />
          </label>
          <button type="submit" class="button main" disabled={fault !== ''}>
            Make the device
          </button>
          <p class="small quiet" id="device-fault">
            {fault}
          </p>
        </form>
      )}
    </>
  );
}

function keyOf({ bus, idHex }: SeenFrame): string {
  return `${bus} ${idHex}`;
}

function aboutOf(frame: SeenFrame): string {
  const period = periodOf(frame);
  const rhythm = period !== undefined ? `every ${period} ms` : frame.count > 1 ? 'at uneven times' : 'once';
  return `${frame.bus}, ${rhythm}, ${toCountText(frame.count)}×`;
}

function faultOf(name: string, picked: readonly SeenFrame[], buses: number): string {
  if (picked.length === 0) return 'Choose ids above.';
  if (buses > 1) return 'They are on different buses: a device is on one.';
  if (name === '') return 'Give the device a name.';
  if (!/^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/.test(name)) return 'Letters, digits, - and _ only.';
  const paths = [...draft.texts.value.keys()].map((path) => path.toLowerCase());
  return paths.includes(`devices/${name.toLowerCase()}.yaml`) ? 'There is a device of this name.' : '';
}
