// Each cylinder's highest indicated temperature, pull by pull, and the temperatures by engine speed of each.
import type { PullView } from '../../server/contract/pulls.ts';
import { toKelvinText, toQuantityText, toShownNumber, toShownWord } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { WhyAt } from '../why/why-at.tsx';

export interface NumberedPull {
  pull: PullView;
  /** From 1, in time order. */
  number: number;
}

interface PeakTableProps {
  pulls: NumberedPull[];
  session: number;
  /** Session time of its first frame. */
  startUs: number;
}

export function PeakTable({ pulls, session, startUs }: PeakTableProps) {
  const probes = new Map(useFeed().vehicle.value?.engine?.cylinders.map(({ cylinder, exhaustTemp }) => [cylinder, exhaustTemp]));
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
                      channel={probes.get(cylinder)}
                      session={session}
                      startUs={startUs}
                    />
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      </section>
      {pulls.map(({ pull, number }) => (
        <BandTable key={number} pull={pull} number={number} />
      ))}
    </>
  );
}

interface PeakCellProps {
  peak: PullView['peaks'][number] | undefined;
  /** Its probe's channel; undefined: the vehicle of now names none. */
  channel: string | undefined;
  session: number;
  startUs: number;
}

function PeakCell({ peak, channel, session, startUs }: PeakCellProps) {
  if (!peak || peak.peakC === null) return <td class="number">no number</td>;
  const over = peak.marginK !== null && peak.marginK < 0;
  const number = <b>{toQuantityText(peak.peakC, 'degC', { digits: 0 })}</b>;
  return (
    <td class={over ? 'number over' : 'number'}>
      {channel !== undefined && peak.at !== null ? (
        <WhyAt session={session} channel={channel} atUs={startUs + peak.at * 1e6}>
          {number}
        </WhyAt>
      ) : (
        number
      )}
      {peak.speed !== null && <span class="small quiet">at {peak.speed} rpm</span>}
      {over && <span class="small">{toKelvinText(-(peak.marginK as number))} over the limit</span>}
    </td>
  );
}

function BandTable({ pull, number }: NumberedPull) {
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
                    {temp === null ? '–' : toShownNumber(temp, 'degC', { digits: 0 })}
                  </td>
                ))}
                <td class="number">{spreadK === null ? '–' : toShownNumber(spreadK, 'K', { digits: 0, difference: true })}</td>
                <td class="number">{rmsK === null ? '–' : toShownNumber(rmsK, 'K', { digits: 1, difference: true })}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
    </details>
  );
}
