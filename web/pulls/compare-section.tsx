// Any two sets of pulls or holds side by side: before and after a change, by engine speed and load, with what the pulls can tell and what not.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { DifferenceView, PullsView, SetComparisonView } from '../../server/contract/pulls.ts';
import type { SessionView } from '../../server/contract/sessions.ts';
import { toNumberText } from '../shell/numbers.ts';
import { toQuantityText, toShownNumber } from '../shell/units.ts';
import { Problem, useWork } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { toStartText } from './after-pull.tsx';
import { toPullWords } from './session-pulls.tsx';

type Side = 'before' | 'after';

const sideWords = { before: 'A, before', after: 'B, after' } as const;

export function CompareSection({ sessions }: { sessions: SessionView[] }) {
  const open = useSignal<readonly number[]>([]);
  const known = useSignal<ReadonlyMap<number, PullsView>>(new Map());
  const sides = useSignal<ReadonlyMap<string, Side>>(new Map());
  const quantity = useSignal('spread');
  const found = useSignal<Compared | undefined>(undefined);
  const { busy, problem, run } = useWork();
  const unread = useSignal('');
  /** Each by itself: one that is slow to read doesn't keep the next from being chosen. */
  const show = async (session: number) => {
    if (open.value.includes(session)) {
      open.value = open.value.filter((one) => one !== session);
      return;
    }
    open.value = [...open.value, session].sort((a, b) => a - b);
    try {
      const view = await getJson<PullsView>(`/api/sessions/${session}/pulls`);
      known.value = new Map(known.value).set(session, view);
      unread.value = '';
    } catch (error) {
      open.value = open.value.filter((one) => one !== session);
      unread.value = toProblem(error);
    }
  };
  useEffect(() => {
    const first = sessions[0]?.session;
    if (first !== undefined && open.value.length === 0) void show(first);
  }, [sessions[0]?.session]);
  const put = (key: string, side: Side | '') => {
    const next = new Map(sides.value);
    if (side === '') next.delete(key);
    else next.set(key, side);
    sides.value = next;
  };
  const of = (side: Side) => [...sides.value].filter(([, where]) => where === side).map(([key]) => key);
  const ask = () =>
    run(async () => {
      const sets = { before: of('before').join(','), after: of('after').join(','), quantity: quantity.value };
      found.value = { sets, view: await getJson<SetComparisonView>(`/api/pulls/compare?${new URLSearchParams(sets)}`) };
    });
  const some = open.value.flatMap((session) => known.value.get(session) ?? []);
  return (
    <section class="compare" aria-labelledby="compare-title">
      <h2 id="compare-title">Compare two sets</h2>
      <p>
        Put pulls or holds from before a change into A, those behind it into B. A-B-A, back to the first and driven again, is what tells a
        change from the drift of an evening.
      </p>
      <Problem text={problem.value || unread.value} />
      <details open={open.value.length === 0}>
        <summary>Sessions ({open.value.length} opened)</summary>
        <ul class="plain study-sessions">
          {sessions.map(({ session, startedWallMs, note, name }) => (
            <li key={session} data-session={session}>
              <label>
                <input type="checkbox" checked={open.value.includes(session)} onChange={() => void show(session)} /> {session}:{' '}
                {new Date(startedWallMs).toLocaleString()} {name} {note}
              </label>
            </li>
          ))}
        </ul>
      </details>
      {open.value.length > some.length && <p role="status">Looking for pulls.</p>}
      {some.map((view) => (
        <SessionSides key={view.session} view={view} sides={sides.value} put={put} />
      ))}
      <div class="compare-ask">
        <label class="field">
          <span>In</span>
          <select
            value={quantity.value}
            onChange={(event) => {
              quantity.value = event.currentTarget.value;
            }}
          >
            {quantitiesOf(some).map(({ value, words }) => (
              <option key={value} value={value}>
                {words}
              </option>
            ))}
          </select>
        </label>
        <button
          type="button"
          class="button main"
          disabled={busy.value || of('before').length === 0 || of('after').length === 0}
          onClick={() => void ask()}
        >
          {busy.value ? 'Reading' : 'Compare'}
        </button>
      </div>
      {found.value && <Found {...found.value} />}
    </section>
  );
}

function quantitiesOf(views: readonly PullsView[]): { value: string; words: string }[] {
  const pulls = views.flatMap((view) => view.pulls);
  const cylinders = [...new Set(pulls.flatMap((pull) => pull.cylinders))].sort((a, b) => a - b);
  const sets = [...new Set(pulls.flatMap((pull) => pull.sets.map(({ set }) => set)))];
  return [
    { value: 'spread', words: 'Spread' },
    { value: 'rms', words: 'RMS deviation' },
    ...cylinders.map((n) => ({ value: `deviation:${n}`, words: `Cylinder ${n}, deviation from the others` })),
    ...cylinders.map((n) => ({ value: `temp:${n}`, words: `Cylinder ${n}, temperature` })),
    ...sets.flatMap((set) => [
      { value: `duty:${set}`, words: `Duty, ${set}` },
      { value: `delta:${set}`, words: `Fuel pressure delta, ${set}` },
    ]),
    ...(views.some(({ banks }) => banks.length > 0) ? [{ value: 'lambda', words: 'Lambda' }] : []),
    { value: 'timing', words: 'Timing' },
    ...(pulls.some(({ power }) => power !== null)
      ? [
          { value: 'torque', words: 'Torque, uncorrected' },
          { value: 'power', words: 'Power, uncorrected' },
        ]
      : []),
  ];
}

interface SidesProps {
  view: PullsView;
  sides: ReadonlyMap<string, Side>;
  put(key: string, side: Side | ''): void;
}

function SessionSides({ view, sides, put }: SidesProps) {
  return (
    <fieldset class="sides">
      <legend>Session {view.session}</legend>
      {view.pulls.length === 0 && <p>No pull is in it.</p>}
      {view.pulls.map((pull) => {
        const key = `${view.session}:${pull.number}`;
        const words = `${pull.number} ${toPullWords(pull)}${pull.name ? ` ${pull.name}` : ''}`;
        return (
          <label key={key} class="side-row">
            <select
              aria-label={`${words} of session ${view.session}`}
              value={sides.get(key) ?? ''}
              data-pull={key}
              onChange={(event) => put(key, event.currentTarget.value as Side | '')}
            >
              <option value="">left out</option>
              <option value="before">{sideWords.before}</option>
              <option value="after">{sideWords.after}</option>
            </select>
            <span>
              {words}, {pull.kind === 'hold' ? Math.round((pull.speedFrom + pull.speedTo) / 2) : `${pull.speedFrom} to ${pull.speedTo}`} rpm
            </span>
          </label>
        );
      })}
    </fieldset>
  );
}

const verdictWords: Record<DifferenceView['verdict'], string> = {
  higher: 'B is higher',
  lower: 'B is lower',
  'no difference': 'No difference that matters',
  'not enough pulls to tell': 'Not enough pulls to tell',
};

export function toDifferenceText({ difference, low, high }: DifferenceView, unit: string, digits = 0): string {
  const of = differenceOf(unit);
  const bare = (value: number) => toShownNumber(value, of, { digits, difference: true, signed: true });
  const interval = low === null || high === null ? 'no interval' : `${bare(low)} to ${bare(high)}`;
  return `${toQuantityText(difference, of, { digits, difference: true, signed: true })} (${interval})`;
}

/** The unit of a difference. */
function differenceOf(unit: string): string {
  return unit === 'degC' ? 'K' : unit;
}

/** An answer, and what it was asked of: SESSION:NUMBER of each pull. */
interface Compared {
  sets: { before: string; after: string; quantity: string };
  view: SetComparisonView;
}

function Found({ sets: { before, after, quantity }, view }: Compared) {
  const { all, cells, unit, order, advice, pulls, pullsNeeded, matters } = view;
  const figure = (cell: number | 'all') => toFigureAddress('compare', before, after, quantity, cell);
  const digits = unit === 'lambda' ? 3 : unit === 'deg' ? 1 : 0;
  return (
    <div class="compare-found">
      {all ? (
        <p class="compare-verdict" data-verdict={all.verdict}>
          <b>{verdictWords[all.verdict]}</b>: <WhyFigure of={figure('all')}>{toDifferenceText(all, unit, digits)}</WhyFigure>, 95 %
          interval. Less than {toQuantityText(matters, differenceOf(unit), { digits: Math.max(1, digits), difference: true })} doesn't
          matter.
        </p>
      ) : (
        <p class="compare-verdict">Nothing is common to both sets.</p>
      )}
      <ul>
        {advice.map((words) => (
          <li key={words}>
            {words[0]?.toUpperCase()}
            {words.slice(1)}.
          </li>
        ))}
        {pullsNeeded !== null && all?.verdict === 'not enough pulls to tell' && <li>{pullsNeeded} of each in all.</li>}
      </ul>
      <p>Order: {order}.</p>
      <ol class="plain small">
        {pulls.map(({ session, number, set, start }) => (
          <li key={`${session}:${number}`}>
            {set === 'before' ? 'A' : 'B'}: session {session}, pull {number}, began at {toStartText(start)}
          </li>
        ))}
      </ol>
      {cells.length > 0 && (
        <div class="scroll-x">
          <table>
            <thead>
              <tr>
                <th scope="col">Kind</th>
                <th scope="col" class="number">
                  rpm
                </th>
                <th scope="col" class="number">
                  Load
                </th>
                <th scope="col" class="number">
                  B less A
                </th>
                <th scope="col">Says</th>
              </tr>
            </thead>
            <tbody>
              {cells.map((cell, i) => (
                <tr key={`${cell.kind} ${cell.speed} ${cell.load}`}>
                  <th scope="row">{cell.kind}</th>
                  <td class="number">{cell.speed}</td>
                  <td class="number">{cell.load === null ? '–' : toNumberText(cell.load, 0)}</td>
                  <td class="number">
                    <WhyFigure of={figure(i)}>{toDifferenceText(cell, unit, digits)}</WhyFigure>
                  </td>
                  <td>{verdictWords[cell.verdict]}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      )}
    </div>
  );
}
