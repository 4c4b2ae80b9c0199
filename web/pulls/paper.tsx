// What goes on paper: the pull sheet of a session, and the regroup card of a trial.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { LogEntry } from '../../server/contract/log-book.ts';
import type { PullsView, PullView } from '../../server/contract/pulls.ts';
import { logEntries } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { toKelvinText, toShownNumber, toShownWord } from '../shell/units.ts';
import { Problem } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { type FigureOf, figuresOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { toStartText } from './after-pull.tsx';
import { toPullWords } from './session-pulls.tsx';

function PaperTools({ back }: { back: string }) {
  return (
    <p class="no-print paper-tools">
      <button type="button" class="button main" onClick={() => print()}>
        Print
      </button>
      <a class="button" href={back}>
        Back
      </a>
    </p>
  );
}

/** Order, start temperatures, indicated temperature by cylinder and speed, fuel pressure delta, duty, lambda, timing. */
export function PullSheet({ session }: { session: number }) {
  const view = useSignal<PullsView | undefined>(undefined);
  const problem = useSignal('');
  useEffect(() => {
    getJson<PullsView>(`/api/sessions/${session}/pulls`).then(
      (found) => {
        view.value = found;
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  }, [session]);
  const vehicle = useFeed().vehicle.value?.name;
  if (!view.value) return problem.value ? <Problem text={problem.value} /> : <p role="status">Reading session {session}.</p>;
  const { pulls, startedWallMs, dyno, banks } = view.value;
  const setup = [dyno.dyno, dyno.gear ? `gear ${dyno.gear}` : null, dyno.rollerRatio === null ? null : `ratio ${dyno.rollerRatio}`];
  return (
    <article class="paper">
      <PaperTools back={toAddress('pulls', String(session))} />
      <h2>
        Pull sheet: {vehicle}, session {session}
      </h2>
      <p>
        {new Date(startedWallMs).toLocaleString()}; dyno: {setup.filter(Boolean).join(', ') || '____________'}
      </p>
      {pulls.map((pull, i) => (
        <SheetPull key={pull.from} pull={pull} place={i + 1} banks={banks} figure={figuresOf('pulls', session, pull.number)} />
      ))}
      <p class="small">Where a number comes from: press it on the page {toAddress('pulls', String(session))} of the program.</p>
      {pulls.length === 0 && <p>No pull is in it.</p>}
    </article>
  );
}

function SheetPull({ pull, place, banks, figure }: { pull: PullView; place: number; banks: string[]; figure: FigureOf }) {
  const digits = (value: number | null, places = 0) => (value === null ? '–' : toNumberText(value, places));
  const shown = (value: number | null, unit: string) =>
    value === null ? '–' : toShownNumber(value, unit, { digits: 0, difference: unit === 'K' });
  const heads = [
    'rpm',
    ...pull.cylinders.map((n) => `${n}, ${toShownWord('degC')}`),
    `Spread, ${toShownWord('K', true)}`,
    ...pull.sets.flatMap(({ set }) => [`Delta ${set}, ${toShownWord('kPa')}`, `Duty ${set}, %`]),
    ...banks.map((bank) => (banks.length > 1 ? `Lambda ${bank}` : 'Lambda')),
    'Timing',
  ];
  return (
    <section class="sheet-pull">
      <h3>
        {place}. Pull {pull.number} {pull.name}: {toPullWords(pull)}, {pull.speedFrom} to {pull.speedTo} rpm
      </h3>
      <p class="small">Began at {toStartText(pull.start)}.</p>
      <div class="scroll-x">
        <table>
          <thead>
            <tr>
              {heads.map((head) => (
                <th key={head} scope="col" class="number">
                  {head}
                </th>
              ))}
            </tr>
          </thead>
          <tbody>
            {pull.bands.map((band) => {
              const { speed } = band;
              const cells: [text: string, figure: string][] = [
                ...band.temps.map((temp, i): [string, string] => [shown(temp, 'degC'), figure('temp', speed, pull.cylinders[i] as number)]),
                [shown(band.spreadK, 'K'), figure('spread', speed)],
                ...pull.sets.flatMap(({ set }, i): [string, string][] => [
                  [shown(band.deltaKpa[i] ?? null, 'kPa'), figure('delta-mean', speed, set)],
                  [digits(band.duty[i] ?? null), figure('duty-mean', speed, set)],
                ]),
                ...banks.map((_, i): [string, string] => [digits(band.lambda[i] ?? null, 2), figure('lambda', speed)]),
                [digits(band.timing, 1), figure('timing', speed)],
              ];
              return (
                <tr key={band.speed}>
                  <th scope="row" class="number">
                    {band.speed}
                  </th>
                  {cells.map(([text, of], i) => (
                    <td key={heads[i + 1]} class="number">
                      <WhyFigure of={text === '–' ? undefined : of}>{text}</WhyFigure>
                    </td>
                  ))}
                </tr>
              );
            })}
          </tbody>
        </table>
      </div>
      <p>Notes: ______________________________________________</p>
    </section>
  );
}

/** Which plug goes to which injector, and the click test behind it. */
export function RegroupCard({ entry }: { entry: number }) {
  const found = logEntries.value?.find((one) => one.entry === entry);
  if (logEntries.value === undefined) return <p role="status">Reading the log.</p>;
  if (found?.kind !== 'trial') return <p>Entry {entry} of the log is no trial.</p>;
  return (
    <article class="paper">
      <PaperTools back={toAddress('pulls', 'study')} />
      <h2>Card: {found.change}</h2>
      <p>
        Entry {entry}, {new Date(found.wallMs).toLocaleString()}, {found.by}
        {found.predictedSpread === undefined ? '' : `; predicted spread ${toKelvinText(found.predictedSpread)}`}
      </p>
      {found.plan && <PlanTable plan={found.plan} />}
      <ol>
        <li>Engine off, ignition and pump off, rail bled: no pressure on the injectors.</li>
        {found.plan ? <li>Move the plugs as the table says, one after the other; tick each.</li> : <li>Do: {found.change}.</li>}
        <li>Click test with the pump off and the rail bled: fire one group after the other; only its injectors click.</li>
        <li>Note the new plan in the vehicle file, so that sessions are read by it from now on.</li>
        <li>The same pulls or holds again, from the same start temperatures; then back to the first and again (A-B-A).</li>
      </ol>
    </article>
  );
}

function PlanTable({ plan }: { plan: NonNullable<Extract<LogEntry, { kind: 'trial' }>['plan']> }) {
  const rows = Object.entries(plan)
    .flatMap(([group, cylinders]) => cylinders.map((cylinder) => ({ cylinder, group })))
    .sort((a, b) => a.cylinder - b.cylinder);
  return (
    <table class="plan-table">
      <thead>
        <tr>
          <th scope="col">Injector of cylinder</th>
          <th scope="col">Plug of group</th>
          <th scope="col">Plugged</th>
          <th scope="col">Clicked</th>
        </tr>
      </thead>
      <tbody>
        {rows.map(({ cylinder, group }) => (
          <tr key={cylinder}>
            <th scope="row">{cylinder}</th>
            <td>
              <b>{group}</b>
            </td>
            <td>☐</td>
            <td>☐</td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}
