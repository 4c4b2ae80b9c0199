// Heat cycles, numbered, each with its sheet: what was done and seen while the engine was cold behind it.
import { useSignal } from '@preact/signals';
import type { HeatCycleView } from '../../server/contract/engine-history.ts';
import type { LogEntry } from '../../server/contract/log-book.ts';
import { toSheetText } from '../../server/contract/log-words.ts';
import { WriterField, writeDown } from '../log-book/write-down.tsx';
import { toAddress } from '../router.tsx';
import { toClockText } from '../shell/numbers.ts';
import { toQuantityText, toShownWord } from '../shell/units.ts';
import { Problem, useWork } from '../shell/work.tsx';
import { toFigureAddress } from '../why/asked.ts';
import type { TopicProps } from './history-page.tsx';
import { FigureCell } from './starts-section.tsx';

type Sheet = Extract<LogEntry, { kind: 'heat-cycle-sheet' }>;

export function CyclesSection({ history: { cycles, cycleLimits }, refresh }: TopicProps) {
  const newest = [...cycles].reverse();
  return (
    <section class="history-section" aria-labelledby="cycles-title">
      <h2 id="cycles-title">Heat cycles</h2>
      <p>
        Up to {toQuantityText(cycleLimits.warmC, 'degC')} and cold again, below {toQuantityText(cycleLimits.coldC, 'degC')}. What never came
        up to temperature has no number.
      </p>
      {cycles.length === 0 && <p>The engine has not run in what is recorded.</p>}
      {newest.map((cycle) => (
        <Cycle key={`${cycle.session} ${cycle.fromS}`} cycle={cycle} refresh={refresh} />
      ))}
    </section>
  );
}

function Cycle({ cycle, refresh }: { cycle: HeatCycleView; refresh(): Promise<void> }) {
  const { number, session, fromS, startedWallMs, runs, runningS, startC, coolantPeakC, oilPeakC, exhaustPeaks, cold, probeHours } = cycle;
  const sheet = cycle.sheet?.kind === 'heat-cycle-sheet' ? (cycle.sheet as Sheet) : undefined;
  const writing = useSignal(false);
  const degrees = toShownWord('degC');
  const figure = (...key: (string | number)[]) => toFigureAddress('history', 'cycle', session, fromS, ...key);
  return (
    <article class="panel history-section" data-cycle={number ?? 'none'}>
      <h3>{number === null ? 'Not up to temperature' : `Heat cycle ${number}`}</h3>
      <p>
        <a href={toAddress('sessions', String(session))}>{new Date(startedWallMs).toLocaleString()}</a>, {runs}{' '}
        {runs === 1 ? 'run' : 'runs'}, {toClockText(runningS)} running. From <FigureCell value={startC} unit="degC" of={figure('startC')} />{' '}
        {degrees}; coolant up to <FigureCell value={coolantPeakC} unit="degC" of={figure('coolantPeakC')} /> {degrees}, oil up to{' '}
        <FigureCell value={oilPeakC} unit="degC" of={figure('oilPeakC')} /> {degrees}.{' '}
        {cold ? `Cold again ${new Date(cold.wallMs).toLocaleString()}.` : 'Not seen cold again yet.'}
      </p>
      {exhaustPeaks.length > 0 && (
        <p class="small">
          Highest indicated, {degrees}:{' '}
          {exhaustPeaks.map(({ cylinder, peakC }, i) => (
            <span key={cylinder}>
              {i > 0 && ', '}
              {cylinder}: <FigureCell value={peakC} unit="degC" of={figure('peak', cylinder)} />
            </span>
          ))}
        </p>
      )}
      {probeHours.length > 0 && (
        <p class="small quiet">
          Hours up to its end:{' '}
          {probeHours.map(({ probe, hours }, i) => (
            <span key={probe}>
              {i > 0 && ', '}
              {probe} <FigureCell value={hours} digits={2} of={toFigureAddress('history', 'hours', probe, session, fromS)} />
            </span>
          ))}
        </p>
      )}
      {sheet && (
        <p class="history-word">
          {toSheetWords(sheet)} <span class="quiet small">({sheet.by})</span>
        </p>
      )}
      {sheet?.note && <p>{sheet.note}</p>}
      {number !== null && !writing.value && (
        <p>
          <button type="button" class="button" onClick={() => (writing.value = true)}>
            {sheet ? 'Write its sheet anew' : 'Write its sheet'}
          </button>
        </p>
      )}
      {writing.value && <SheetForm cycle={cycle} sheet={sheet} close={() => (writing.value = false)} refresh={refresh} />}
    </article>
  );
}

const ticks = [
  ['retorqued', 'Re-torqued'],
  ['lashSet', 'Lash set'],
  ['filterCut', 'Filter cut open'],
  ['plugsRead', 'Plugs read'],
] as const;

const looks = ['', 'clear', 'dark', 'milky', 'metal in it'] as const;

function toSheetWords(sheet: Sheet): string {
  const said = toSheetText(sheet);
  return said.charAt(0).toUpperCase() + said.slice(1);
}

interface SheetFormProps {
  cycle: HeatCycleView;
  sheet: Sheet | undefined;
  close(): void;
  refresh(): Promise<void>;
}

function SheetForm({ cycle: { session, fromS }, sheet, close, refresh }: SheetFormProps) {
  const was = { retorqued: false, lashSet: false, filterCut: false, plugsRead: false, ...sheet };
  const done = useSignal({ retorqued: was.retorqued, lashSet: was.lashSet, filterCut: was.filterCut, plugsRead: was.plugsRead });
  const oilLook = useSignal<(typeof looks)[number]>(sheet?.oilLook ?? '');
  const note = useSignal(sheet?.note ?? '');
  const { busy, problem, run } = useWork();
  const keep = () =>
    run(async () => {
      await writeDown({ kind: 'heat-cycle-sheet', session, fromS, ...done.value, oilLook: oilLook.value, note: note.value });
      await refresh();
      close();
    });
  return (
    <div class="history-section">
      <div class="history-ticks">
        {ticks.map(([key, word]) => (
          <label key={key}>
            <input
              type="checkbox"
              checked={done.value[key]}
              onChange={(event) => (done.value = { ...done.value, [key]: event.currentTarget.checked })}
            />
            {word}
          </label>
        ))}
      </div>
      <div class="history-fields">
        <label>
          Oil looks
          <select value={oilLook} onChange={(event) => (oilLook.value = event.currentTarget.value as (typeof looks)[number])}>
            {looks.map((look) => (
              <option key={look} value={look}>
                {look === '' ? 'not looked' : look}
              </option>
            ))}
          </select>
        </label>
        <label class="wide">
          Note
          <input type="text" maxLength={2000} value={note} onInput={(event) => (note.value = event.currentTarget.value)} />
        </label>
        <WriterField />
        <button type="button" class="button main" disabled={busy.value} onClick={() => void keep()}>
          Keep it
        </button>
        <button type="button" class="button" onClick={close}>
          Leave it
        </button>
      </div>
      {oilLook.value === 'milky' && <p>Milky: fuel or water in the oil. On methanol change it now, and look where it came from.</p>}
      <Problem text={problem.value} />
    </div>
  );
}
