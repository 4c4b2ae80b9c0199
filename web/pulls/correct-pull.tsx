// Names, numbers and ends of pulls by hand, pulls that are none, and those that were not found.
import type { PullView } from '../../server/contract/pulls.ts';
import { textOf, WritingForm, writeDown } from '../log-book/write-down.tsx';
import { useWork } from '../shell/work.tsx';
import { ApiError } from '../stream/api.ts';

interface CorrectProps {
  pull: PullView;
  session: number;
  startUs: number;
  changed(): Promise<void>;
}

export function CorrectPull({ pull, session, startUs, changed }: CorrectProps) {
  const work = useWork();
  const { busy, run } = work;
  const atUs = Math.round(startUs + ((pull.from + pull.to) / 2) * 1e6);
  const us = (seconds: string) => Math.round(startUs + Number(seconds) * 1e6);
  const save = async (given: FormData) => {
    const text = (name: string) => textOf(given, name);
    const moved = text('from') !== pull.from.toFixed(2) || text('to') !== pull.to.toFixed(2);
    await writeDown({
      kind: 'pull',
      session,
      atUs,
      ...(text('name') !== pull.name ? { name: text('name') } : {}),
      ...(text('number') !== '' && Number(text('number')) !== pull.number ? { number: Number(text('number')) } : {}),
      ...(moved ? { fromUs: us(text('from')), toUs: us(text('to')) } : {}),
      ...(text('as') !== pull.kind ? { as: text('as') === 'hold' ? ('hold' as const) : ('sweep' as const) } : {}),
    });
    await changed();
  };
  const takeOut = () =>
    run(async () => {
      await writeDown({ kind: 'pull', session, atUs, isNone: true });
      await changed();
    });
  return (
    <WritingForm
      work={work}
      save={save}
      more={
        <button type="button" class="button" disabled={busy.value} onClick={() => void takeOut()}>
          This is no pull
        </button>
      }
    >
      <label class="field">
        <span>Name</span>
        <input type="text" name="name" maxLength={60} defaultValue={pull.name} />
      </label>
      <label class="field">
        <span>Number</span>
        <input type="number" name="number" min="1" max="9999" defaultValue={String(pull.number)} />
      </label>
      <Ends from={pull.from.toFixed(2)} to={pull.to.toFixed(2)} kind={pull.kind} />
    </WritingForm>
  );
}

function Ends({ from, to, kind }: { from: string; to: string; kind: PullView['kind'] }) {
  return (
    <>
      <label class="field">
        <span>From, s</span>
        <input type="number" name="from" step="0.01" min="0" required defaultValue={from} />
      </label>
      <label class="field">
        <span>To, s</span>
        <input type="number" name="to" step="0.01" min="0" required defaultValue={to} />
      </label>
      <label class="field">
        <span>Is a</span>
        <select name="as">
          <option value="sweep" selected={kind === 'sweep'}>
            sweep
          </option>
          <option value="hold" selected={kind === 'hold'}>
            hold
          </option>
        </select>
      </label>
    </>
  );
}

interface PutInProps {
  session: number;
  startUs: number;
  seconds: number;
  changed(): Promise<void>;
}

export function PutPullIn({ session, startUs, seconds, changed }: PutInProps) {
  const work = useWork();
  const save = async (given: FormData) => {
    const [from, to] = [Number(given.get('from')), Number(given.get('to'))];
    if (!(to > from && to <= seconds + 1))
      throw new ApiError({ error: 'PULL_ENDS', message: 'Its end must lie behind its beginning', cure: 'Give both within the session.' });
    const fromUs = Math.round(startUs + from * 1e6);
    const as = given.get('as') === 'hold' ? ('hold' as const) : ('sweep' as const);
    await writeDown({ kind: 'pull', session, atUs: fromUs, fromUs, toUs: Math.round(startUs + to * 1e6), as });
    await changed();
  };
  return (
    <details>
      <summary>A pull was not found</summary>
      <WritingForm work={work} save={save} button="Put it in" slight>
        <Ends from="" to="" kind="sweep" />
      </WritingForm>
    </details>
  );
}
