// Where frames come from: what is listened to now, or what this computer could listen to.
import { useSignal } from '@preact/signals';
import type { BeginningView } from '../../server/contract/beginning.ts';
import type { FramesView } from '../../server/contract/frames.ts';
import { toCountText } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { ApiError, sendJson, toProblem } from '../stream/api.ts';
import { StartAgainQuestion } from './start-again-question.tsx';

const bitRatesKbit = [1000, 800, 500, 250, 125, 100, 50];

export function SourceChoice({ view, frames }: { view: BeginningView | undefined; frames: FramesView | undefined }) {
  const problem = useSignal('');
  const another = useSignal(false);
  const interrupts = useSignal<Interrupting | undefined>(undefined);
  if (!view) return <p class="quiet">Asking…</p>;
  const ask = async (request: object) => {
    interrupts.value = undefined;
    try {
      await sendJson<BeginningView>('POST', '/api/beginning', request);
      problem.value = '';
      another.value = false;
    } catch (error) {
      if (error instanceof ApiError && error.code === 'BEGINNING_INTERRUPTS') interrupts.value = { request, say: error.message };
      else problem.value = toProblem(error);
    }
  };
  const trouble = problem.value || (view.failed ?? '');
  return (
    <>
      <Problem text={trouble} />
      {interrupts.value && (
        <StartAgainQuestion
          say={interrupts.value.say}
          onYes={() => void ask({ ...interrupts.value?.request, despiteUnderWay: true })}
          onNo={() => {
            interrupts.value = undefined;
          }}
        />
      )}
      {view.demo && <OwnFolder ask={ask} />}
      {!view.demo && <p class="quiet small folder">Files go to {view.folder}</p>}
      {view.buses.length > 0 && <Listening view={view} frames={frames} />}
      {!view.demo && view.buses.length > 0 && !another.value && (
        <button
          type="button"
          class="button"
          onClick={() => {
            another.value = true;
          }}
        >
          Listen to another source
        </button>
      )}
      {!view.demo && (view.buses.length === 0 || another.value) && <Sources view={view} ask={ask} />}
    </>
  );
}

/** A request that waits for a yes, and why. */
interface Interrupting {
  request: object;
  say: string;
}

type Ask = (request: object) => Promise<void>;

/** The demo's files are the program's own: a vehicle of one's own begins in a folder of its own. */
function OwnFolder({ ask }: { ask: Ask }) {
  const name = useSignal('my-vehicle');
  return (
    <form
      class="own-folder"
      onSubmit={(event) => {
        event.preventDefault();
        void ask({ folder: name.value.trim() });
      }}
    >
      <p>
        This server shows the demo vehicle. Yours begins in a folder of its own, below the data folder; recordings are kept apart by
        session.
      </p>
      <label>
        Name of the folder
        <input
          type="text"
          value={name}
          pattern="[A-Za-z0-9][A-Za-z0-9_\-]{0,63}"
          title="Letters, digits, - and _"
          required
          autocapitalize="none"
          onInput={(event) => {
            name.value = event.currentTarget.value;
          }}
        />
      </label>
      <button type="submit" class="button main">
        Begin my own vehicle
      </button>
    </form>
  );
}

function Listening({ view, frames }: { view: BeginningView; frames: FramesView | undefined }) {
  return (
    <ul class="plain">
      {view.buses.map(({ bus, source }) => {
        const seen = frames?.frames.filter((frame) => frame.bus === bus) ?? [];
        const count = seen.reduce((sum, frame) => sum + frame.count, 0);
        return (
          <li key={bus}>
            <b>{bus}</b>: {source}.{' '}
            {seen.length === 0
              ? 'No frame yet: is the bus powered, and is the bit rate right?'
              : `${seen.length} ids, ${toCountText(count)} frames so far.`}
          </li>
        );
      })}
    </ul>
  );
}

function Sources({ view, ask }: { view: BeginningView; ask: Ask }) {
  const source = useSignal('');
  const bus = useSignal('engine');
  const rate = useSignal(500);
  const ready = view.sources.filter((one) => one.ready);
  const chosen = source.value || (ready[0]?.source ?? '');
  if (view.sources.length === 0) {
    return (
      <div>
        <p>
          This computer has no CAN interface and no serial port now. Plug the adapter in: it appears here by itself.{' '}
          <code>npx evenburn doctor</code> says what is missing.
        </p>
        <p>
          A recorded file does as well: start with <code class="command">{view.command} --bus engine=file:PATH</code>
        </p>
      </div>
    );
  }
  return (
    <form
      class="sources"
      onSubmit={(event) => {
        event.preventDefault();
        void ask({ listen: { bus: bus.value.trim(), source: chosen, bitRateKbit: rate.value } });
      }}
    >
      <fieldset>
        <legend>What to listen to</legend>
        {view.sources.map((one) => (
          <label key={one.source} class="source">
            <input
              type="radio"
              name="source"
              value={one.source}
              disabled={!one.ready}
              checked={one.source === chosen}
              onChange={() => {
                source.value = one.source;
              }}
            />
            <span>{one.say}</span>
          </label>
        ))}
      </fieldset>
      <label>
        Name of the bus
        <input
          type="text"
          value={bus}
          required
          pattern="[A-Za-z0-9][A-Za-z0-9_\-]{0,63}"
          title="Letters, digits, - and _"
          onInput={(event) => {
            bus.value = event.currentTarget.value;
          }}
        />
      </label>
      <label>
        Bit rate
        <select
          value={rate.value}
          onChange={(event) => {
            rate.value = Number(event.currentTarget.value);
          }}
        >
          {bitRatesKbit.map((one) => (
            <option key={one} value={one}>
              {one} kbit/s
            </option>
          ))}
        </select>
      </label>
      <button type="submit" class="button main" disabled={chosen === ''}>
        Listen
      </button>
      <p class="quiet small">
        The server starts again with it, at the same address. An interface of the system has its bit rate from the system.
      </p>
    </form>
  );
}
