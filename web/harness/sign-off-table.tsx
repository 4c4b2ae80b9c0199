// Continuity of every run, typed and signed: the reading, its band, who and when.
import { useSignal } from '@preact/signals';
import type { HarnessRun, HarnessView } from '../../server/contract/harness.ts';
import { Problem, useAttempts } from '../shell/work.tsx';
import { sendJson } from '../stream/api.ts';

export interface SignOffProps {
  view: HarnessView;
  onSigned(view: HarnessView | null): void;
}

export function SignOffTable({ view, onSigned }: SignOffProps) {
  const by = useSignal('');
  const { problem, attempt } = useAttempts();
  const open = view.runs.filter(isOpen).length;
  const sign = (run: HarnessRun, ohm: number | 'open') =>
    attempt(async () => {
      onSigned(await sendJson<HarnessView | null>('POST', '/api/harness/sign-offs', { run: run.name, ohm, by: by.value.trim() }));
    });
  return (
    <section aria-labelledby="sign-title">
      <h2 id="sign-title">Continuity</h2>
      <p>
        Power off, both ends unplugged, the leads of the meter held together first and set to zero. <b>{view.runs.length - open}</b> of{' '}
        {view.runs.length} are signed.
      </p>
      <Problem text={problem.value} />
      <label class="sign-by">
        Who measures
        <input
          type="text"
          maxLength={60}
          value={by}
          onInput={(event) => {
            by.value = event.currentTarget.value;
          }}
        />
      </label>
      <ol class="plain sign-rows">
        {view.runs.map((run) => (
          <SignRow key={run.name} run={run} title={titleOf(view, run)} ready={by.value.trim() !== ''} sign={sign} />
        ))}
      </ol>
      <button type="button" class="button no-print" onClick={() => print()}>
        Print
      </button>
    </section>
  );
}

/** A wiring that the file says differently now was never measured. */
function isOpen({ signed, outdated }: HarnessRun): boolean {
  return !signed?.ok || outdated;
}

function titleOf(view: HarnessView, { circuit }: HarnessRun): string {
  return view.circuits.find(({ name }) => name === circuit)?.title ?? circuit ?? 'Wire without a circuit';
}

interface SignRowProps {
  run: HarnessRun;
  title: string;
  ready: boolean;
  sign(run: HarnessRun, ohm: number | 'open'): Promise<void>;
}

function SignRow({ run, title, ready, sign }: SignRowProps) {
  const reading = useSignal('');
  const ohm = Number(reading.value.trim().replace(',', '.'));
  const readable = reading.value.trim() !== '' && Number.isFinite(ohm);
  return (
    <li class="sign-row panel" data-run={run.name} data-signed={isOpen(run) ? 'no' : 'yes'}>
      <div>
        <p>
          <b>{title}</b>
        </p>
        <p class="small quiet">
          {run.ends.join(' to ')}, at most {run.limitOhm.toFixed(2)} Ω
          {run.expectedOhm !== undefined && ` (wire ${run.expectedOhm.toFixed(2)} Ω)`}
        </p>
        <SignState run={run} />
      </div>
      <form
        class="sign-form no-print"
        onSubmit={(event) => {
          event.preventDefault();
          if (ready && readable) void sign(run, ohm);
        }}
      >
        <input
          type="text"
          inputMode="decimal"
          aria-label={`Reading of ${run.name}, ohm`}
          placeholder="Ω"
          value={reading}
          onInput={(event) => {
            reading.value = event.currentTarget.value;
          }}
        />
        <button type="submit" class="button main" disabled={!ready || !readable}>
          Sign
        </button>
        <button type="button" class="button" disabled={!ready} onClick={() => void sign(run, 'open')}>
          Open
        </button>
      </form>
    </li>
  );
}

function SignState({ run: { signed, outdated } }: { run: HarnessRun }) {
  if (!signed) return <p>Not measured yet</p>;
  const value = signed.ohm === null ? 'open' : `${signed.ohm} Ω`;
  return (
    <p class={signed.ok && !outdated ? 'signed' : 'warned'}>
      {outdated && <b>The file says another wiring now: measure again. </b>}
      <b>{signed.ok ? 'Right' : 'Wrong'}:</b> {value}, {signed.say}. {signed.by}, {new Date(signed.wallMs).toLocaleString()}
    </p>
  );
}
