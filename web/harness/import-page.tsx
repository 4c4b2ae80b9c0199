// A wiring table becomes the vehicle's harness file: pasted or dropped, its columns named, looked at, and saved.
import '../tables/tables.css';
import { useSignal } from '@preact/signals';
import { useEffect, useMemo } from 'preact/hooks';
import type { DefinitionsView } from '../../server/contract/definitions.ts';
import type { HarnessTableView } from '../../server/contract/table-import.ts';
import { toAddress } from '../router.tsx';
import { Problem } from '../shell/work.tsx';
import { getJson, sendJson, toProblem } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { ColumnTable, type Mapping } from '../tables/column-table.tsx';
import { RowNotes } from '../tables/row-notes.tsx';
import { TableText } from '../tables/table-text.tsx';
import { useLaidOut } from '../tables/use-laid-out.ts';

const path = 'harness.yaml';

export function ImportPage() {
  const text = useSignal('');
  const mapping = useSignal<Mapping>({});
  const vehicle = useFeed().vehicle.value?.name ?? 'Vehicle';
  const asked = useMemo(
    () => ({ text: text.value, name: `${vehicle} harness`, columns: mapping.value }),
    [text.value, mapping.value, vehicle],
  );
  const { view, problem } = useLaidOut<HarnessTableView>('/api/tables/harness', asked);
  const table = view.value;
  return (
    <div class="page tables-page">
      <div class="tables-head">
        <h1>Harness from a table</h1>
        <a class="button" href={toAddress('harness')}>
          Harness
        </a>
      </div>
      <p>
        A table with a wire a row, at least from which pin to which, becomes harness.yaml of this vehicle. Nothing is written before you
        save.
      </p>
      <TableText
        text={text.value}
        example={'From,To,Circuit,AWG,Length (m),Colour,Fuse\nECU A-12,Bulkhead-A1,inj 1 feed,20,1.6,white/brown,F3 (15 A)'}
        onText={(now) => {
          mapping.value = {};
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
          <RowNotes title="Conflicts" kind="conflict" notes={table.conflicts} />
          <RowNotes title="Notes" kind="note" notes={table.notes} />
          <details class="panel device-text">
            <summary>
              The harness file: {table.wires} wires, {table.connectors} connectors, {table.circuits} circuits
            </summary>
            <pre class="bytes">{table.text}</pre>
          </details>
          <Save
            table={table}
            onProblem={(words) => {
              problem.value = words;
            }}
          />
        </>
      )}
    </div>
  );
}

interface SaveProps {
  table: HarnessTableView;
  onProblem(words: string): void;
}

/** A file that is there is replaced only when the person says so. */
function Save({ table, onProblem }: SaveProps) {
  const there = useSignal<string | null | undefined>(undefined);
  const agreed = useSignal(false);
  useEffect(() => {
    getJson<DefinitionsView>('/api/definitions').then(
      ({ files }) => {
        there.value = files.find((file) => file.path === path)?.hash ?? null;
      },
      (error: unknown) => onProblem(toProblem(error)),
    );
  }, []);
  const save = async () => {
    try {
      const changes = [{ path, text: table.text, hash: there.value ?? null }];
      await sendJson('POST', '/api/definitions/save', { changes, despiteErrors: false });
      location.hash = toAddress('harness');
    } catch (error) {
      onProblem(toProblem(error));
    }
  };
  const replaces = there.value !== null && there.value !== undefined;
  const ready = there.value !== undefined && table.conflicts.length === 0 && table.wires > 0 && (!replaces || agreed.value);
  return (
    <section class="panel" aria-label="Save">
      {replaces && (
        <label class="check-line">
          <input
            type="checkbox"
            checked={agreed.value}
            onChange={(event) => {
              agreed.value = event.currentTarget.checked;
            }}
          />{' '}
          Replace the harness.yaml that is there, with all that it says
        </label>
      )}
      {table.conflicts.length > 0 && <p>Mend the conflicts in the table first.</p>}
      <p>
        <button type="button" class="button main huge" disabled={!ready} onClick={() => void save()}>
          Save harness.yaml
        </button>
      </p>
    </section>
  );
}
