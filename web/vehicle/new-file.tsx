// A new file of the vehicle: a device with its place on a bus, or the harness.
import { useSignal } from '@preact/signals';
import type { Draft } from './draft.ts';

export function NewFile({ draft, buses, onMade }: { draft: Draft; buses: readonly string[]; onMade(): void }) {
  const name = useSignal('');
  const chosen = useSignal<string | undefined>(undefined);
  const bus = chosen.value ?? buses[0] ?? '';
  const device = name.value.trim();
  const path = `devices/${device}.yaml`;
  const taken = [...draft.texts.value.keys()].some((one) => one.toLowerCase() === path.toLowerCase());
  const wrong = device !== '' && !/^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/.test(device);
  const make = async (event: Event) => {
    event.preventDefault();
    if (device === '' || taken || wrong) return;
    if (bus !== '') await draft.putOnBus(bus, device);
    await draft.addFile(path, `device: ${device}\nframes: []\n`);
    name.value = '';
    onMade();
  };
  return (
    <details class="new-file">
      <summary>New file</summary>
      <form onSubmit={make}>
        <label>
          Device
          <input
            type="text"
            value={name}
            placeholder="thermocouple-box"
            autocapitalize="none"
            onInput={(event) => {
              name.value = event.currentTarget.value;
            }}
          />
        </label>
        <label>
          on bus
          <select
            value={bus}
            onChange={(event) => {
              chosen.value = event.currentTarget.value;
            }}
          >
            {buses.map((one) => (
              <option key={one} value={one}>
                {one}
              </option>
            ))}
            <option value="">none yet</option>
          </select>
        </label>
        {taken && <p class="small">There is a file of this name.</p>}
        {wrong && <p class="small">Letters, digits, - and _ only.</p>}
        <button type="submit" class="button" disabled={device === '' || taken || wrong}>
          Add device
        </button>
        {!draft.texts.value.has('harness.yaml') && (
          <button
            type="button"
            class="button"
            onClick={() => void draft.addFile('harness.yaml', 'harness: Harness\nconnectors: {}\n').then(onMade)}
          >
            Add harness
          </button>
        )}
      </form>
    </details>
  );
}
