// How each run warmed up: coolant, oil and exhaust against the time since the fire, and what was wrong with it.
import type { RunView } from '../../server/contract/engine-history.ts';
import type { EngineView } from '../../server/contract/vehicle-view.ts';
import { VerdictRow } from '../checks/verdict-list.tsx';
import { toAddress } from '../router.tsx';
import { toClockText } from '../shell/numbers.ts';
import { toShownWord } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { toFigureAddress } from '../why/asked.ts';
import type { TopicProps } from './history-page.tsx';
import { FigureCell } from './starts-section.tsx';
import { Wide } from './wide.tsx';

export function WarmUpSection({ history: { runs } }: TopicProps) {
  return (
    <section class="history-section" aria-labelledby="warm-title">
      <h2 id="warm-title">Warm-up</h2>
      {runs.length === 0 && <p>The engine has not run in what is recorded.</p>}
      {runs.map((run) => (
        <Run key={`${run.session} ${run.fromS}`} run={run} />
      ))}
      <p class="small quiet">
        Nothing is told ahead below the opening of the thermostat: only above it, and only with a rate that does not fall. Limits are common
        practice, no source.
      </p>
    </section>
  );
}

function Run({ run }: { run: RunView }) {
  const engine = useFeed().vehicle.value?.engine;
  const { session, startedWallMs, fromS, toS, warmUp, verdicts, coolantKPerMin, oilKPerMin, coolantPeakC, oilPeakC } = run;
  const figure = (...key: (string | number)[]) => toFigureAddress('history', 'run', session, fromS, ...key);
  const degrees = toShownWord('degC');
  return (
    <div class="panel history-section">
      <h3>
        <a href={toAddress('sessions', String(session))}>{new Date(startedWallMs).toLocaleString()}</a>, ran {toClockText(toS - fromS)}
      </h3>
      <p>
        Coolant up to <FigureCell value={coolantPeakC} unit="degC" of={figure('coolantPeakC')} /> {degrees}, oil up to{' '}
        <FigureCell value={oilPeakC} unit="degC" of={figure('oilPeakC')} /> {degrees}. Over the last minute coolant{' '}
        <FigureCell value={coolantKPerMin} unit="K" digits={1} of={figure('coolantKPerMin')} /> {toShownWord('K', true)}/min, oil{' '}
        <FigureCell value={oilKPerMin} unit="K" digits={1} of={figure('oilKPerMin')} /> {toShownWord('K', true)}/min.
      </p>
      {warmUp.length > 0 && (
        <Wide label="Temperatures after the fire">
          <table>
            <thead>
              <tr>
                <th scope="col">After</th>
                {warmUp.map(({ s }) => (
                  <th key={s} scope="col">
                    {toClockText(s)}
                  </th>
                ))}
              </tr>
            </thead>
            <tbody>
              {(['coolantC', 'oilC', 'exhaustC'] as const).map((what) => (
                <tr key={what}>
                  <th scope="row">
                    {rowWords[what]}, {degrees}
                  </th>
                  {warmUp.map((point) => (
                    <td key={point.s}>
                      <FigureCell value={point[what]} unit="degC" of={figure(what, point.s)} />
                    </td>
                  ))}
                </tr>
              ))}
            </tbody>
          </table>
        </Wide>
      )}
      {engine && (
        <p>
          <a class="button" href={toPlots(session, engine)}>
            Plot it
          </a>
        </p>
      )}
      {verdicts.length > 0 && (
        <ol class="plain verdict-rows">
          {verdicts.map((verdict) => (
            <VerdictRow key={verdict.code} verdict={verdict} />
          ))}
        </ol>
      )}
    </div>
  );
}

/** Coolant, oil and every probe of a session. */
function toPlots(session: number, { roles, cylinders }: EngineView): string {
  const channels = [roles.coolantTemp, roles.oilTemp, ...cylinders.map(({ exhaustTemp }) => exhaustTemp)].flatMap((name) => name ?? []);
  const traces = channels.map((name) => `${session}:${name}`).join(',');
  return `${toAddress('plots')}?traces=${encodeURIComponent(traces)}`;
}

const rowWords = { coolantC: 'Coolant', oilC: 'Oil', exhaustC: 'Exhaust, median' } as const;
