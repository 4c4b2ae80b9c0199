// The Harness page: connector faces and pin tables, what to unplug, circuits with their drop and fusing, continuity signed off.
import './harness.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { HarnessConnector, HarnessView } from '../../server/contract/harness.ts';
import type { WhyView } from '../../server/contract/why.ts';
import { type PageProps, toAddress } from '../router.tsx';
import { toWords } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { CircuitTable, FuseTable } from './circuit-table.tsx';
import { ConnectorFace } from './connector-face.tsx';
import { ImportPage } from './import-page.tsx';
import { SignOffTable } from './sign-off-table.tsx';

export function HarnessPage(props: PageProps) {
  return props.rest[0] === 'import' ? <ImportPage /> : <Drawn {...props} />;
}

function Drawn({ rest, query }: PageProps) {
  const view = useSignal<HarnessView | null | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    getJson<HarnessView | null>('/api/harness').then(
      (found) => {
        view.value = found;
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  }, []);
  const now = view.value;
  return (
    <div class="page harness-page">
      <h1>{now?.name ?? 'Harness'}</h1>
      <Problem text={problem.value} />
      {now === null && <NoHarness />}
      {now && (
        <>
          <Asked view={now} channel={query.get('channel')} device={query.get('device')} />
          <Tabs chosen={rest[0]} />
          {rest[0] === 'circuits' && (
            <>
              <FuseTable view={now} />
              <CircuitTable view={now} />
            </>
          )}
          {rest[0] === 'sign-off' && (
            <SignOffTable
              view={now}
              onSigned={(signed) => {
                view.value = signed;
              }}
            />
          )}
          {rest[0] === 'unplug' && <Unplug view={now} />}
          {(rest[0] === undefined || rest[0] === 'connector') && <Connectors view={now} chosen={rest[1]} pin={rest[2]} />}
          <p class="no-print">
            <a class="button" href={toAddress('harness', 'import')}>
              Make it anew from a table
            </a>
          </p>
        </>
      )}
    </div>
  );
}

function NoHarness() {
  return (
    <section class="panel page-note">
      <h2>No harness is drawn yet</h2>
      <p>
        Put a file <code>harness.yaml</code> into the vehicle's folder: connectors with their pins, wires from pin to pin, circuits. The
        demo vehicle's is an example, and <code>docs/harness.md</code> says what each line means.
      </p>
      <a class="button main" href={toAddress('harness', 'import')}>
        Make it from a table
      </a>
    </section>
  );
}

const tabs = [
  { name: undefined, title: 'Connectors' },
  { name: 'unplug', title: 'Unplug list' },
  { name: 'circuits', title: 'Circuits' },
  { name: 'sign-off', title: 'Sign-off' },
] as const;

function Tabs({ chosen }: { chosen: string | undefined }) {
  const current = chosen === 'connector' ? undefined : chosen;
  return (
    <nav class="harness-tabs" aria-label="Parts of the harness">
      {tabs.map(({ name, title }) => (
        <a
          key={title}
          class={name === current ? 'button chosen' : 'button'}
          href={name === undefined ? toAddress('harness') : toAddress('harness', name)}
          aria-current={name === current ? 'page' : undefined}
        >
          {title}
        </a>
      ))}
    </nav>
  );
}

/** Somebody came from an alarm, a verdict or a channel: the pins to probe, first of all. */
function Asked({ view, channel, device }: { view: HarnessView; channel: string | null; device: string | null }) {
  const channels = useSignal<string[]>([]);
  useEffect(() => {
    channels.value = channel === null ? [] : [channel];
    if (channel === null) return;
    // What a derived channel is made of, down to the signals.
    getJson<WhyView>(`/api/why/${encodeURIComponent(channel)}`).then(
      (why) => {
        channels.value = why.nodes.map((node) => node.channel);
      },
      () => undefined,
    );
  }, [channel]);
  if (channel === null && device === null) return null;
  const circuits = view.circuits.filter((circuit) => circuit.channel !== undefined && channels.value.includes(circuit.channel));
  const plugs = view.connectors.filter((connector) => device !== null && connector.device === device);
  return (
    <section class="panel asked" aria-labelledby="asked-title">
      <h2 id="asked-title">{channel === null ? `Plugs of ${device}` : `Pins to probe for ${toWords(channel)}`}</h2>
      {channel !== null &&
        circuits.map((circuit) => (
          <div key={circuit.name}>
            <h3>{circuit.title}</h3>
            <p class="asked-pins">
              {view.runs
                .filter((run) => run.circuit === circuit.name)
                .map((run) => (
                  <span key={run.name} class="asked-run">
                    {run.ends.map((end) => (
                      <PinLink key={end} end={end} view={view} />
                    ))}
                  </span>
                ))}
            </p>
          </div>
        ))}
      {channel !== null && circuits.length === 0 && (
        <p>
          The harness does not say which wire carries it: in harness.yaml, give its circuit <code>channel: {channel}</code>.
        </p>
      )}
      {plugs.map(({ name, title }) => (
        <p key={name}>
          <a class="button" href={toAddress('harness', 'connector', name)}>
            {title}
          </a>
        </p>
      ))}
      {device !== null && plugs.length === 0 && (
        <p>
          No connector says that it belongs to it: in harness.yaml, give one <code>device: {device}</code>.
        </p>
      )}
    </section>
  );
}

export function PinLink({ end, view }: { end: string; view: HarnessView }) {
  const [name = '', pin = ''] = end.split('.');
  const title = view.connectors.find((connector) => connector.name === name)?.title ?? name;
  return (
    <a class="button pin-link" href={toAddress('harness', 'connector', name, pin)}>
      {title}, pin {pin}
    </a>
  );
}

function Connectors({ view, chosen, pin }: { view: HarnessView; chosen: string | undefined; pin: string | undefined }) {
  const connector = view.connectors.find(({ name }) => name === chosen) ?? view.connectors[0];
  return (
    <>
      {view.contradictions.length > 0 && (
        <section class="problem" aria-label="Contradictions in the file">
          <ul>
            {view.contradictions.map(({ say, fix }) => (
              <li key={say}>
                {say}. {fix}
              </li>
            ))}
          </ul>
        </section>
      )}
      <label class="connector-choice no-print">
        Connector
        <select
          value={connector?.name ?? ''}
          onChange={(event) => {
            location.hash = toAddress('harness', 'connector', event.currentTarget.value);
          }}
        >
          {view.connectors.map(({ name, title }) => (
            <option key={name} value={name}>
              {title}
            </option>
          ))}
        </select>
      </label>
      {connector && <Connector connector={connector} view={view} pin={pin} />}
    </>
  );
}

function Connector({ connector, view, pin }: { connector: HarnessConnector; view: HarnessView; pin: string | undefined }) {
  const halves = connector.halves.length > 0 ? connector.halves : [{ name: 'plug' }];
  const chosen = connector.pins.find((one) => one.pin === pin);
  return (
    <section aria-labelledby="connector-title" class="connector">
      <div class="connector-head">
        <h2 id="connector-title">{connector.title}</h2>
        <button type="button" class="button no-print" onClick={() => print()}>
          Print
        </button>
      </div>
      <p class="quiet">
        {connector.name}
        {connector.device && `, on ${connector.device}`}
        {connector.unplugToLift && `, unplug for: ${connector.unplugToLift}`}
      </p>
      <div class="faces">
        {halves.map((half, i) => (
          <ConnectorFace key={half.name} connector={connector} half={half} mirrored={i > 0} pin={pin} />
        ))}
      </div>
      {chosen && (
        <p class="panel pin-way" role="status">
          <b>
            {connector.title}, pin {chosen.pin}
          </b>
          {chosen.reaches.length === 0 ? ': nothing hangs on it.' : ' leads to '}
          {chosen.reaches.map((end) => (
            <PinLink key={end} end={end} view={view} />
          ))}
        </p>
      )}
      <PinTable connector={connector} view={view} pin={pin} />
    </section>
  );
}

function PinTable({ connector, view, pin }: { connector: HarnessConnector; view: HarnessView; pin: string | undefined }) {
  return (
    <div class="scroll-x">
      <table class="pin-table">
        <thead>
          <tr>
            <th scope="col">Pin</th>
            <th scope="col">Circuit</th>
            <th scope="col">Wire</th>
            <th scope="col">Leads to</th>
          </tr>
        </thead>
        <tbody>
          {connector.pins.map((one) => {
            const circuits = view.circuits.filter(({ name }) => one.circuits.includes(name));
            return (
              <tr key={one.pin} data-chosen={one.pin === pin ? '' : undefined}>
                <th scope="row">
                  <a href={toAddress('harness', 'connector', connector.name, one.pin)}>{one.pin}</a>
                </th>
                <td>
                  {circuits.map(({ name, title, channel }) => (
                    <div key={name}>
                      {title}
                      {channel && <span class="quiet small"> {toWords(channel)}</span>}
                    </div>
                  ))}
                  {one.circuits.length === 0 && <span class="quiet">free</span>}
                </td>
                <td>
                  {one.wires.map((wire) => (
                    <div key={`${wire.from} ${wire.to}`}>{toWireText(wire)}</div>
                  ))}
                </td>
                <td>{one.reaches.join(', ')}</td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}

function toWireText({ colour, alloy, polarity, gauge, lengthM, fuse }: HarnessConnector['pins'][number]['wires'][number]): string {
  const parts = [colour, alloy && `type ${alloy}`, polarity, gauge, lengthM !== undefined && `${lengthM} m`, fuse && `fuse ${fuse}`];
  return parts.filter(Boolean).join(', ');
}

function Unplug({ view }: { view: HarnessView }) {
  const found = (name: string) => view.connectors.find((connector) => connector.name === name);
  return (
    <>
      {view.unplug.length === 0 && (
        <p>
          No connector says what it frees: in harness.yaml, give one <code>unplug_to_lift: engine out</code>.
        </p>
      )}
      {view.unplug.map(({ frees, connectors }) => (
        <section key={frees} class="panel">
          <h2>To get the {frees}</h2>
          <ol class="unplug-list">
            {connectors.map((name) => (
              <li key={name}>
                <label>
                  <input type="checkbox" /> <b>{found(name)?.title ?? name}</b>
                </label>
                <ul>
                  {(found(name)?.halves ?? []).map((half) => (
                    <li key={half.name}>
                      {half.name} half{half.at ? `: ${half.at}` : ''}
                    </li>
                  ))}
                </ul>
              </li>
            ))}
          </ol>
          <button type="button" class="button no-print" onClick={() => print()}>
            Print
          </button>
        </section>
      ))}
      <p class="small quiet">Battery off first. Ticks are this page's alone, and are gone when it is closed.</p>
    </>
  );
}
