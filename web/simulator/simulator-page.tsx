// The simulator as a test bench: put a fault into the simulated engine, sensors or wiring, see what the other pages make of it, mend it.
import './simulator.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { FaultKindView, SimulatorView } from '../../server/contract/simulator.ts';
import { useAttempts } from '../shell/work.tsx';
import { getJson, sendJson } from '../stream/api.ts';

const refreshMs = 1000;

export function SimulatorPage() {
  const view = useSignal<SimulatorView | undefined>(undefined);
  const { problem, attempt } = useAttempts();
  const kind = useSignal('dead_injector');
  const entries = useSignal<Record<string, string>>({});

  const take = (asked: Promise<SimulatorView>) =>
    attempt(async () => {
      view.value = await asked;
    });
  useEffect(() => {
    const refresh = () => {
      if (!document.hidden)
        void getJson<SimulatorView>('/api/simulator').then(
          (now) => (view.value = now),
          () => undefined,
        );
    };
    refresh();
    const timer = setInterval(refresh, refreshMs);
    return () => clearInterval(timer);
  }, [view]);

  const now = view.value;
  if (now && !now.running) {
    return (
      <div class="page">
        <h1>Simulator</h1>
        <p>No bus of this server is simulated. Start one with a simulated bus to try faults: evenburn serve --bus engine=simulator</p>
      </div>
    );
  }
  const chosen = now?.kinds.find((row) => row.kind === kind.value);
  const put = (event: Event) => {
    event.preventDefault();
    if (chosen) void take(sendJson<SimulatorView>('POST', '/api/simulator/faults', toRequest(chosen, entries.value)));
  };
  return (
    <div class="page simulator-page">
      <h1>Simulator</h1>
      <p>Scenario {now?.scenario}. Everything here is simulated; a fault changes what the simulated devices send, and nothing else.</p>
      <form class="fault-form" onSubmit={put}>
        <div class="fault-field">
          <label for="fault-kind">Fault</label>
          <select
            id="fault-kind"
            value={kind}
            onChange={(event) => {
              kind.value = event.currentTarget.value;
              entries.value = {};
            }}
          >
            {now?.kinds.map((row) => (
              <option key={row.kind} value={row.kind}>
                {row.kind.replaceAll('_', ' ')}: {row.say}
              </option>
            ))}
          </select>
        </div>
        {chosen && fieldsOf(chosen).map((field) => <Field key={field.name} field={field} choices={now?.choices ?? {}} entries={entries} />)}
        <button type="submit" class="button">
          Put it in
        </button>
      </form>
      {problem.value !== '' && (
        <p class="fault-problem" role="alert">
          {problem}
        </p>
      )}
      <h2>In force</h2>
      {now?.inForce.length === 0 && <p>No fault: all is healthy.</p>}
      <ul class="faults-in-force">
        {now?.inForce.map((fault) => (
          <li key={`${fault.number} ${fault.kind}`}>
            <span>
              <strong>{fault.kind.replaceAll('_', ' ')}</strong> {fault.on}
            </span>
            <button
              type="button"
              class="button"
              onClick={() => void take(sendJson<SimulatorView>('DELETE', `/api/simulator/faults/${fault.number}`, undefined))}
            >
              Mend
            </button>
          </li>
        ))}
      </ul>
    </div>
  );
}

interface FieldEntry {
  name: string;
  label: string;
  needed: boolean;
}

function fieldsOf(kind: FaultKindView): FieldEntry[] {
  const needed = kind.needs.map((name) => ({ name, label: name, needed: true }));
  const optional = kind.may.map((name) => ({ name, label: `${name}, if it matters`, needed: false }));
  const { amount } = kind;
  const unit = amount?.unit === 'own' ? "the channel's unit" : amount?.unit;
  const size = amount
    ? [{ name: amount.key, label: `${amount.key}${unit ? ` (${unit})` : ''}, usually ${amount.usual}`, needed: false }]
    : [];
  return [...needed, ...optional, ...size];
}

function Field(props: { field: FieldEntry; choices: Record<string, string[]>; entries: { value: Record<string, string> } }) {
  const { field, entries } = props;
  const options = props.choices[field.name];
  const value = entries.value[field.name] ?? '';
  const change = (text: string) => {
    entries.value = { ...entries.value, [field.name]: text };
  };
  const id = `fault-${field.name}`;
  return (
    <div class="fault-field">
      <label for={id}>{field.label}</label>
      {options ? (
        <select id={id} value={value} required={field.needed} onChange={(event) => change(event.currentTarget.value)}>
          <option value="">{field.needed ? 'choose' : 'any'}</option>
          {options.map((option) => (
            <option key={option} value={option}>
              {option}
            </option>
          ))}
        </select>
      ) : (
        <input id={id} value={value} required={field.needed} onInput={(event) => change(event.currentTarget.value)} />
      )}
    </div>
  );
}

/** Numbers go as numbers; `2, 5` names two cylinders; a size without its unit gets the one that it is measured in. */
function toRequest(kind: FaultKindView, entries: Record<string, string>): Record<string, string | number | number[]> {
  const request: Record<string, string | number | number[]> = { fault: kind.kind };
  for (const [name, text] of Object.entries(entries)) {
    const trimmed = text.trim();
    if (trimmed === '') continue;
    if (name === 'cylinders') request[name] = trimmed.split(/[\s,]+/).map(Number);
    else if (name === kind.amount?.key && /^-?[\d.]+$/.test(trimmed) && kind.amount.unit !== 'own' && kind.amount.unit !== '') {
      request[name] = `${trimmed} ${kind.amount.unit}`;
    } else request[name] = /^(0x[\da-f]+|-?[\d.]+)$/i.test(trimmed) ? Number(trimmed) : trimmed;
  }
  return request;
}
