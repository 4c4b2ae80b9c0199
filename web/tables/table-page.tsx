// A device manual's table becomes a device file: pasted or dropped, its columns named, its layout looked at bit by bit, and saved.
import './tables.css';
import { useComputed, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { SavedDefinition, TableRequest, TableView } from '../../server/contract/table-import.ts';
import { access } from '../access/access.ts';
import { toAddress } from '../router.tsx';
import { Problem } from '../shell/work.tsx';
import { sendJson, toProblem } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { ColumnTable, type Mapping } from './column-table.tsx';
import { CountingChoices, type Ways } from './counting-choices.tsx';
import { LayoutPreview } from './layout-preview.tsx';
import { RowNotes } from './row-notes.tsx';
import { TableText } from './table-text.tsx';
import { useLaidOut } from './use-laid-out.ts';

/** What a table is called while nobody has named it. */
const unnamed = 'new-device';
const deviceName = /^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$/;

export function TablePage() {
  const text = useSignal('');
  const device = useSignal('');
  const title = useSignal('');
  const bus = useSignal('');
  const mapping = useSignal<Mapping>({});
  const ways = useSignal<Ways>({});
  const saved = useSignal<SavedDefinition | undefined>(undefined);
  const request = useComputed(
    (): TableRequest => ({
      text: text.value,
      device: deviceName.test(device.value) ? device.value : unnamed,
      ...(title.value === '' ? {} : { title: title.value }),
      columns: mapping.value,
      ...ways.value,
    }),
  );
  const asked = request.value;
  const { view, problem } = useLaidOut<TableView>('/api/tables', asked);
  useEffect(() => {
    saved.value = undefined;
  }, [asked]);
  const save = async () => {
    try {
      saved.value = await sendJson<SavedDefinition>('POST', '/api/devices', { ...asked, ...(bus.value === '' ? {} : { bus: bus.value }) });
      problem.value = '';
    } catch (error) {
      problem.value = toProblem(error);
    }
  };
  const table = view.value;
  return (
    <div class="page tables-page">
      <div class="tables-head">
        <h1>Table import</h1>
        <a class="button" href={toAddress('frames')}>
          All frames
        </a>
      </div>
      <p>
        A table of frames from a device's manual, a signal a row, becomes a device file of this vehicle. Nothing is written before you save,
        and no file is overwritten.
      </p>
      <TableText
        text={text.value}
        example={'CAN ID,Signal,Bytes,Byte order,Scale,Unit\n0x4C0,Oil pressure,0-1,big,0.1,kPa'}
        onText={(now) => {
          // Another table has other columns.
          if (headingLine(now) !== headingLine(text.value)) mapping.value = {};
          text.value = now;
        }}
      />
      <Problem text={problem.value} />
      {table && (
        <>
          <ColumnTable
            view={table}
            mapping={mapping.value}
            onMapping={(now) => {
              mapping.value = now;
            }}
          />
          <CountingChoices
            view={table}
            ways={ways.value}
            onWays={(now) => {
              ways.value = now;
            }}
          />
          <RowNotes title="Conflicts" kind="conflict" notes={table.conflicts} />
          <RowNotes title="Notes" kind="note" notes={table.notes} />
          <LayoutPreview view={table} />
          {table.text !== '' && (
            <details class="panel device-text">
              <summary>The device file</summary>
              <pre class="bytes">{table.text}</pre>
            </details>
          )}
          <SaveForm
            device={device}
            title={title}
            bus={bus}
            conflicts={table.conflicts.length}
            onSave={() => void save()}
            saved={saved.value}
          />
        </>
      )}
    </div>
  );
}

function headingLine(text: string): string {
  return text.split('\n').find((line) => line.trim() !== '') ?? '';
}

interface SaveFormProps {
  device: { value: string };
  title: { value: string };
  bus: { value: string };
  conflicts: number;
  onSave(): void;
  saved: SavedDefinition | undefined;
}

function SaveForm({ device, title, bus, conflicts, onSave, saved }: SaveFormProps) {
  const buses = useFeed().vehicle.value?.buses ?? [];
  const named = deviceName.test(device.value);
  const refused =
    conflicts > 0
      ? `Mend the ${conflicts === 1 ? 'conflict' : `${conflicts} conflicts`} first.`
      : access.value?.role === 'viewer'
        ? 'Viewers only look: log in as crew to save.'
        : '';
  const submit = (event: Event) => {
    event.preventDefault();
    onSave();
  };
  return (
    <form class="panel save-form" onSubmit={submit}>
      <h2>Save</h2>
      <label>
        Name of the device
        <input
          type="text"
          value={device.value}
          required
          maxLength={64}
          pattern="[A-Za-z0-9][A-Za-z0-9_\-]*"
          placeholder="pressure-node"
          autocapitalize="off"
          spellcheck={false}
          onInput={(event) => {
            device.value = event.currentTarget.value;
          }}
        />
      </label>
      <label>
        What it is, in words
        <input
          type="text"
          value={title.value}
          maxLength={200}
          onInput={(event) => {
            title.value = event.currentTarget.value;
          }}
        />
      </label>
      <label>
        On the bus
        <select
          value={bus.value}
          onChange={(event) => {
            bus.value = event.currentTarget.value;
          }}
        >
          <option value="">on none yet: the file alone</option>
          {buses.map(({ name }) => (
            <option key={name} value={name}>
              {name}: vehicle.yaml lists it too
            </option>
          ))}
        </select>
      </label>
      <button type="submit" class="button main" disabled={!named || refused !== '' || saved !== undefined}>
        Save {named ? `devices/${device.value}.yaml` : 'the device file'}
      </button>
      <p role="status">
        {refused || (device.value !== '' && !named ? 'A name has letters, digits, - and _, and begins with a letter or digit.' : '')}
        {saved && (
          <>
            Saved as <code>{saved.path}</code>.{' '}
            {bus.value === '' ? (
              <>
                It is in use once vehicle.yaml lists it under <code>devices:</code> of its bus.
              </>
            ) : (
              <>
                It is on bus {bus.value} now: see <a href={toAddress('frames')}>All frames</a>.
              </>
            )}
          </>
        )}
      </p>
    </form>
  );
}
