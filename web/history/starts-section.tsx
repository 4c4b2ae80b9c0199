// Starts in numbers, and the last one beside earlier ones like it.
import type { EngineHistoryView, StartView } from '../../server/contract/engine-history.ts';
import { toSaid } from '../checks/verdict-words.ts';
import { toAddress } from '../router.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { toKelvinText, toShownNumber, toShownWord } from '../shell/units.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import type { TopicProps } from './history-page.tsx';
import { Wide } from './wide.tsx';

interface FigureCellProps {
  value: number | null | undefined;
  /** Of the value; none where there is no choice of units. K is a difference. */
  unit?: string;
  /** Behind the point; those of the unit when left out. */
  digits?: number;
  /** Address of the figure. */
  of: string;
}

/** A number in the unit shown, which stands beside it, that can be asked where it is from; none is a dash. */
export function FigureCell({ value, unit = '', digits, of }: FigureCellProps) {
  if (value === null || value === undefined) return <>–</>;
  const writing = { ...(digits === undefined ? {} : { digits }), difference: unit === 'K' };
  return <WhyFigure of={of}>{toShownNumber(value, unit, writing)}</WhyFigure>;
}

export function StartsSection({ history: { starts, comparison } }: TopicProps) {
  return (
    <section class="history-section" aria-labelledby="starts-title">
      <h2 id="starts-title">Starts</h2>
      {comparison && <Comparison comparison={comparison} />}
      {starts.length === 0 ? (
        <p>No start is in what is recorded. Cranking without fuel and spark is none.</p>
      ) : (
        <Wide label="Start by start">
          <table>
            <thead>
              <tr>
                {['When', `From, ${toShownWord('degC')}`, 'Cranked, s', 'Lowest, V', 'Oil after, s', 'Cylinders, as they lit (s)'].map(
                  (word) => (
                    <th key={word} scope="col">
                      {word}
                    </th>
                  ),
                )}
              </tr>
            </thead>
            <tbody>
              {starts.map((start) => (
                <StartRow key={`${start.session} ${start.atS}`} start={start} />
              ))}
            </tbody>
          </table>
        </Wide>
      )}
      <p class="small quiet">
        A port is lit when it has risen by {toKelvinText(25)} above the lowest since the fire. Cylinders within 0.3 s of each other have no
        order.
      </p>
    </section>
  );
}

function StartRow({ start }: { start: StartView }) {
  const { session, startedWallMs, atS, startC, crankedS, ran, crankingV, oilAfterS, lit } = start;
  const figure = (...key: (string | number)[]) => toFigureAddress('history', 'start', session, atS, ...key);
  return (
    <tr>
      <td>
        <a href={toAddress('sessions', String(session))}>{new Date(startedWallMs).toLocaleString()}</a>
      </td>
      <td>
        <FigureCell value={startC} unit="degC" of={figure('startC')} />
      </td>
      <td>
        <FigureCell value={crankedS} digits={1} of={figure('crankedS')} />
        {!ran && ', did not run'}
      </td>
      <td>
        <FigureCell value={crankingV} digits={2} of={figure('crankingV')} />
      </td>
      <td>
        <FigureCell value={oilAfterS} digits={1} of={figure('oilAfterS')} />
      </td>
      <td class="words">
        {lit.map(({ cylinder, afterS }, i) => (
          <span key={cylinder}>
            {i > 0 && ' · '}
            {cylinder}: {afterS === null ? 'not lit' : <FigureCell value={afterS} digits={1} of={figure('lit', cylinder)} />}
          </span>
        ))}
      </td>
    </tr>
  );
}

function Comparison({ comparison }: { comparison: NonNullable<EngineHistoryView['comparison']> }) {
  const { measures } = comparison;
  return (
    <div class="panel history-section">
      <h3>The last start beside earlier ones like it</h3>
      <p class="history-word">{toSaid(comparison)}</p>
      {measures.length > 0 && (
        <Wide label="The last start beside earlier ones">
          <table>
            <thead>
              <tr>
                {['What', 'Now', 'Usually', '99 of 100 lie within', 'Verdict'].map((word) => (
                  <th key={word} scope="col">
                    {word}
                  </th>
                ))}
              </tr>
            </thead>
            <tbody>
              {measures.map(({ what, unit, now, mean, low, high, verdict }, i) => {
                const digits = unit === 'V' ? 2 : 1;
                return (
                  <tr key={what} class={verdict === 'as usual' ? '' : 'unusual'}>
                    <td>{what}</td>
                    <td>
                      <WhyFigure of={toFigureAddress('history', 'compared', i)}>
                        {toNumberText(now, digits)} {unit}
                      </WhyFigure>
                    </td>
                    <td>{toNumberText(mean, digits)}</td>
                    <td>
                      {toNumberText(low, digits)} to {toNumberText(high, digits)}
                    </td>
                    <td>{verdict}</td>
                  </tr>
                );
              })}
            </tbody>
          </table>
        </Wide>
      )}
    </div>
  );
}
