// Probes over time: how they stand beside each other cold-soaked, their hours in a running exhaust, and how slowly they follow.
import type { ComponentChildren } from 'preact';
import type { EngineHistoryView } from '../../server/contract/engine-history.ts';
import { VerdictRow } from '../checks/verdict-list.tsx';
import { toAddress } from '../router.tsx';
import { toNumberText } from '../shell/numbers.ts';
import { toShownNumber, toShownWord } from '../shell/units.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import type { TopicProps } from './history-page.tsx';
import { FigureCell } from './starts-section.tsx';
import { Wide } from './wide.tsx';

export function ProbesSection({ history: { drift, probeHours, lags } }: TopicProps) {
  return (
    <section class="history-section" aria-labelledby="probes-title">
      <h2 id="probes-title">Probes</h2>
      <Drift drift={drift} />
      <h3>Hours in a running exhaust</h3>
      {probeHours.length === 0 ? (
        <p>No probe was in a running exhaust yet.</p>
      ) : (
        <Table
          head={['Probe', 'Last in cylinder', 'Hours']}
          rows={probeHours.map(({ probe, cylinder, hours }) => [
            probe,
            String(cylinder),
            <FigureCell key="hours" value={hours} digits={2} of={toFigureAddress('history', 'hours', probe)} />,
          ])}
        />
      )}
      <h3>How slowly they follow</h3>
      {lags.length === 0 ? (
        <p>No fuel cut of a hot engine is recorded yet.</p>
      ) : (
        <>
          <Table head={['Cylinder', 'Probe', 'Lag, s', 'Band, s', 'In the file, s', 'Cuts', 'Session']} rows={lags.map(toLagRow)} />
          <p class="small quiet">
            From fuel cuts: metal that fades slowly makes the estimate lean to the long side, and lag falls with flow. A heat gun in still
            air says something else.
          </p>
        </>
      )}
    </section>
  );
}

function toLagRow({ cylinder, probe, tauS, low, high, fileS, steps, session }: EngineHistoryView['lags'][number]): Cell[] {
  return [
    String(cylinder),
    probe ?? '–',
    <FigureCell key="tau" value={tauS} digits={2} of={toFigureAddress('history', 'lag', session, cylinder)} />,
    `${toNumberText(low, 2)} to ${toNumberText(high, 2)}`,
    fileS ? `${toNumberText(fileS.low, 2)} to ${toNumberText(fileS.high, 2)}` : 'not said',
    String(steps),
    String(session),
  ];
}

function Drift({ drift }: { drift: EngineHistoryView['drift'] }) {
  if (!drift) return <p>No session began cold-soaked, with key on before the first turn: probes can not be compared with each other.</p>;
  const { session, startedWallMs, lastSession, probes, verdicts } = drift;
  const wrong = verdicts.filter(({ ok }) => !ok);
  return (
    <>
      <h3>
        Cold-soaked, <a href={toAddress('sessions', String(session))}>{new Date(startedWallMs).toLocaleString()}</a>
      </h3>
      <p class="history-word">
        {lastSession === null
          ? 'The first cold soak that is recorded: drift shows from the next one on.'
          : wrong.length === 0
            ? 'Every probe stands as last time.'
            : `${wrong.length} moved since last time.`}
      </p>
      {wrong.length > 0 && (
        <ol class="plain verdict-rows">
          {wrong.map((verdict) => (
            <VerdictRow key={verdict.say} verdict={verdict} />
          ))}
        </ol>
      )}
      <Table
        head={['Cylinder', 'Probe', ...['From the others', 'Last time', 'Moved'].map((word) => `${word}, ${toShownWord('K', true)}`)]}
        rows={probes.map(({ cylinder, channel, probe, offK, lastOffK, driftK }) => {
          const cell = (kelvin: number | null, which: string) =>
            kelvin === null ? (
              '–'
            ) : (
              <WhyFigure key={which} of={toFigureAddress('history', 'drift', channel, which)}>
                {toShownNumber(kelvin, 'K', { digits: 1, difference: true, signed: true })}
              </WhyFigure>
            );
          return [String(cylinder), probe ?? '–', cell(offK, 'off'), cell(lastOffK, 'last'), cell(driftK, 'moved')];
        })}
      />
    </>
  );
}

type Cell = ComponentChildren;

/** The first cells of a row are words, and tell it from the others. */
export function Table({ head, rows }: { head: string[]; rows: Cell[][] }) {
  return (
    <Wide label={head.join(', ')}>
      <table>
        <thead>
          <tr>
            {head.map((word) => (
              <th key={word} scope="col">
                {word}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>
          {rows.map((row) => (
            <tr key={row.filter((cell) => typeof cell === 'string').join('|')}>
              {row.map((cell, i) => (
                <td key={head[i]}>{cell}</td>
              ))}
            </tr>
          ))}
        </tbody>
      </table>
    </Wide>
  );
}
