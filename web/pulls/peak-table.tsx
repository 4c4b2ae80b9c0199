// Each cylinder's highest indicated temperature, pull by pull, and the temperatures by engine speed of each.
import type { PullView } from '../../server/contract/pulls.ts';
import { toKelvinText, toQuantityText, toShownNumber, toShownWord } from '../shell/units.ts';
import { type FigureOf, figuresOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';

export interface NumberedPull {
  pull: PullView;
  /** From 1, in time order. */
  number: number;
}

interface PeakTableProps {
  pulls: NumberedPull[];
  session: number;
}

export function PeakTable({ pulls, session }: PeakTableProps) {
  const cylinders = [...new Set(pulls.flatMap(({ pull }) => pull.cylinders))].sort((a, b) => a - b);
  if (cylinders.length === 0) return <p>No exhaust probes are in the vehicle file: engine: exhaust_temps.</p>;
  return (
    <>
      <section aria-labelledby="peaks-title">
        <h2 id="peaks-title">Peaks</h2>
        <div class="scroll-x">
          <table class="peak-table">
            <thead>
              <tr>
                <th scope="col">Pull</th>
                {cylinders.map((cylinder) => (
                  <th key={cylinder} scope="col" class="number">
                    Cylinder {cylinder}
                  </th>
                ))}
              </tr>
            </thead>
            <tbody>
              {pulls.map(({ pull, number }) => (
                <tr key={number}>
                  <th scope="row">{number}</th>
                  {cylinders.map((cylinder) => (
                    <PeakCell
                      key={cylinder}
                      peak={pull.peaks.find((one) => one.cylinder === cylinder)}
                      figure={figuresOf('pulls', session, number)}
                    />
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      </section>
      {pulls.map(({ pull, number }) => (
        <BandTable key={number} pull={pull} number={number} figure={figuresOf('pulls', session, number)} />
      ))}
    </>
  );
}

interface PeakCellProps {
  peak: PullView['peaks'][number] | undefined;
  figure: FigureOf;
}

function PeakCell({ peak, figure }: PeakCellProps) {
  if (!peak || peak.peakC === null) return <td class="number">no number</td>;
  const over = peak.marginK !== null && peak.marginK < 0;
  return (
    <td class={over ? 'number over' : 'number'}>
      <WhyFigure of={figure('peak', peak.cylinder)}>
        <b>{toQuantityText(peak.peakC, 'degC', { digits: 0 })}</b>
      </WhyFigure>
      {peak.speed !== null && (
        <span class="small quiet">
          at <WhyFigure of={figure('peak', peak.cylinder)}>{peak.speed} rpm</WhyFigure>
        </span>
      )}
      {over && (
        <span class="small">
          <WhyFigure of={figure('left', peak.cylinder)}>{toKelvinText(-(peak.marginK as number))}</WhyFigure> over the limit
        </span>
      )}
    </td>
  );
}

function BandTable({ pull, number, figure }: NumberedPull & { figure: FigureOf }) {
  return (
    <details class="bands">
      <summary>Pull {number} by engine speed</summary>
      <div class="scroll-x">
        <table>
          <thead>
            <tr>
              <th scope="col" class="number">
                rpm
              </th>
              {pull.cylinders.map((cylinder) => (
                <th key={cylinder} scope="col" class="number">
                  {cylinder}, {toShownWord('degC')}
                </th>
              ))}
              <th scope="col" class="number">
                Spread, {toShownWord('K', true)}
              </th>
              <th scope="col" class="number">
                RMS, {toShownWord('K', true)}
              </th>
            </tr>
          </thead>
          <tbody>
            {pull.bands.map(({ speed, temps, spreadK, rmsK }) => (
              <tr key={speed}>
                <th scope="row" class="number">
                  {speed}
                </th>
                {temps.map((temp, i) => (
                  <td key={pull.cylinders[i]} class="number">
                    {temp === null ? (
                      '–'
                    ) : (
                      <WhyFigure of={figure('temp', speed, pull.cylinders[i] as number)}>
                        {toShownNumber(temp, 'degC', { digits: 0 })}
                      </WhyFigure>
                    )}
                  </td>
                ))}
                <td class="number">
                  {spreadK === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('spread', speed)}>{toShownNumber(spreadK, 'K', { digits: 0, difference: true })}</WhyFigure>
                  )}
                </td>
                <td class="number">
                  {rmsK === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('rms', speed)}>{toShownNumber(rmsK, 'K', { digits: 1, difference: true })}</WhyFigure>
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </details>
  );
}
