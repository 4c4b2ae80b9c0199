// How fuel pressure fell behind each prime, beside last time; never judged alone.
import { toSaid } from '../checks/verdict-words.ts';
import { toShownWord } from '../shell/units.ts';
import { toFigureAddress } from '../why/asked.ts';
import type { TopicProps } from './history-page.tsx';
import { Table } from './probes-section.tsx';
import { FigureCell } from './starts-section.tsx';

export function LeakSection({ history: { leaks, leakNow } }: TopicProps) {
  return (
    <section class="history-section" aria-labelledby="leak-title">
      <h2 id="leak-title">Leak-down behind the prime</h2>
      {leakNow.map(({ set, isFaster, ...told }) => (
        <p key={set} class={`history-word ${isFaster ? 'blocked' : ''}`}>
          {toSaid(told)}
        </p>
      ))}
      {leaks.length === 0 ? (
        <p>No session shows a prime before the engine turned.</p>
      ) : (
        <Table
          head={['When', 'Session', 'Set', `From, ${toShownWord('kPa')}`, `Fell to, ${toShownWord('kPa')}`]}
          rows={leaks.map(({ startedWallMs, session, set, fromKpa, marks }) => [
            new Date(startedWallMs).toLocaleString(),
            String(session),
            set,
            <FigureCell key="from" value={fromKpa} unit="kPa" of={toFigureAddress('history', 'leak', session, set, 'from')} />,
            marks.map(({ s, kpa }, i) => (
              <span key={s}>
                {i > 0 && ', '}
                {s} s: <FigureCell value={kpa} unit="kPa" of={toFigureAddress('history', 'leak', session, set, s)} />
              </span>
            )),
          ])}
        />
      )}
      <p class="small quiet">
        A comparison with last time, never a verdict alone: a first prime has air in the rails, and many regulators drop to zero by design.
      </p>
    </section>
  );
}
