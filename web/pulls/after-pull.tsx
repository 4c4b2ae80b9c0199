// What a pull did, once it is over: peaks as read and as estimated, margins, beside the pull before, fuel asked and given, power, start.
import type { DemandView, PowerView, PullView } from '../../server/contract/pulls.ts';
import { toNumberText, toSignedText } from '../shell/numbers.ts';
import { toKelvinText, toQuantityText, toShownNumber, toShownWord } from '../shell/units.ts';
import type { FigureOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';

interface AfterPullProps {
  pull: PullView;
  /** Addresses of its figures. */
  figure: FigureOf;
}

export function AfterPull({ pull, figure }: AfterPullProps) {
  return (
    <div class="after-pull">
      <MarginRow pull={pull} figure={figure} />
      <CylinderTable pull={pull} figure={figure} />
      {pull.demand.length > 0 && <DemandTable demand={pull.demand} figure={figure} />}
      {pull.power && <Power power={pull.power} figure={figure} />}
      <Start pull={pull} figure={figure} />
    </div>
  );
}

function MarginRow({ pull: { margins, bands, beside }, figure }: AfterPullProps) {
  const spread = Math.max(...bands.flatMap(({ spreadK }) => spreadK ?? []));
  const rms = Math.max(...bands.flatMap(({ rmsK }) => rmsK ?? []));
  const change = meanOf(beside?.bands.map(({ spreadK }) => spreadK) ?? []);
  const left = (value: number | null, unit: string) =>
    value === null
      ? 'no limit set'
      : value < 0
        ? `${toQuantityText(-value, unit, { digits: 0, difference: true })} over`
        : toQuantityText(value, unit, { digits: 0, difference: true });
  const known = (value: number | null, key: string) => (value === null ? undefined : figure(key));
  return (
    <dl class="facts-row">
      <Fact
        name="Spread"
        of={Number.isFinite(spread) ? figure('widest') : undefined}
        value={Number.isFinite(spread) ? `up to ${toKelvinText(spread)}` : 'no spread'}
      />
      <Fact
        name="RMS"
        of={Number.isFinite(rms) ? figure('roughest') : undefined}
        value={Number.isFinite(rms) ? `up to ${toKelvinText(rms, { digits: 1 })}` : 'no number'}
      />
      {beside && change !== null && (
        <Fact
          name={`Spread beside pull ${beside.before}`}
          of={figure('beside-spread')}
          value={`${toKelvinText(change, { digits: 1, signed: true })} on the mean`}
        />
      )}
      <Fact name="Left to the exhaust limit" of={known(margins.exhaustK, 'left-exhaust')} value={left(margins.exhaustK, 'K')} />
      <Fact name="Left to the spread limit" of={known(margins.spreadK, 'left-spread')} value={left(margins.spreadK, 'K')} />
      <Fact name="Left to the duty limit" of={known(margins.dutyPercent, 'left-duty')} value={left(margins.dutyPercent, '%')} />
    </dl>
  );
}

function meanOf(values: (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((sum, value) => sum + value, 0) / known.length;
}

function Fact({ name, value, of }: { name: string; value: string; of: string | undefined }) {
  return (
    <div>
      <dt>{name}</dt>
      <dd>
        <WhyFigure of={of}>{value}</WhyFigure>
      </dd>
    </div>
  );
}

const degrees = (value: number) => toShownNumber(value, 'degC', { digits: 0 });
const kelvin = (value: number) => toShownNumber(value, 'K', { digits: 0, difference: true });

function CylinderTable({ pull: { peaks, gas, beside }, figure }: AfterPullProps) {
  if (peaks.length === 0) return null;
  return (
    <div class="scroll-x">
      <table class="after-table">
        <caption class="visually-hidden">Peaks by cylinder</caption>
        <thead>
          <tr>
            <th scope="col">Cylinder</th>
            <th scope="col" class="number">
              Peak, {toShownWord('degC')}
            </th>
            <th scope="col" class="number">
              at, rpm
            </th>
            <th scope="col" class="number">
              Left, {toShownWord('K', true)}
            </th>
            <th scope="col" class="number">
              Beside {beside ? beside.before : 'before'}, {toShownWord('K', true)}
            </th>
            <th scope="col" class="number">
              Gas, estimate, {toShownWord('degC')}
            </th>
          </tr>
        </thead>
        <tbody>
          {peaks.map(({ cylinder, peakC, speed, marginK }) => {
            const estimate = gas.find((one) => one.cylinder === cylinder);
            const change = beside?.peaks.find((one) => one.cylinder === cylinder)?.kelvin ?? null;
            return (
              <tr key={cylinder}>
                <th scope="row">{cylinder}</th>
                <td class="number">
                  {peakC === null ? 'no number' : <WhyFigure of={figure('peak', cylinder)}>{degrees(peakC)}</WhyFigure>}
                </td>
                <td class="number">{speed === null ? '–' : <WhyFigure of={figure('peak', cylinder)}>{speed}</WhyFigure>}</td>
                <td class={marginK !== null && marginK < 0 ? 'number over' : 'number'}>
                  {marginK === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('left', cylinder)}>{marginK < 0 ? `${kelvin(-marginK)} over` : kelvin(marginK)}</WhyFigure>
                  )}
                </td>
                <td class="number">
                  {change === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('beside', cylinder)}>
                      {toShownNumber(change, 'K', { digits: 0, difference: true, signed: true })}
                    </WhyFigure>
                  )}
                </td>
                <td class="number">
                  {estimate ? (
                    <>
                      <WhyFigure of={figure('gas-low', cylinder)}>{degrees(estimate.lowC)}</WhyFigure> to{' '}
                      <WhyFigure of={figure('gas-high', cylinder)}>
                        {degrees(estimate.highC)} ± {kelvin(estimate.noiseK)}
                      </WhyFigure>
                    </>
                  ) : (
                    'no lag given'
                  )}
                </td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}

function DemandTable({ demand, figure }: { demand: DemandView[]; figure: FigureOf }) {
  const percent = (value: number | null, of: string) =>
    value === null ? '–' : <WhyFigure of={of}>{`${toNumberText(value, 0)} %`}</WhyFigure>;
  return (
    <>
      <div class="scroll-x">
        <table class="after-table">
          <caption>Fuel asked and given</caption>
          <thead>
            <tr>
              <th scope="col">Set</th>
              <th scope="col" class="number">
                Duty
              </th>
              <th scope="col" class="number">
                Asked, {toShownWord('cc/min')}
              </th>
              <th scope="col" class="number">
                Of the injectors
              </th>
              <th scope="col" class="number">
                Of the pump
              </th>
              <th scope="col">Supply</th>
            </tr>
          </thead>
          <tbody>
            {demand.map(({ set, dutyMax, dutyAtRpm, demandCcPerMin, ofInjectorsPercent, ofPumpPercent, supply }) => (
              <tr key={set}>
                <th scope="row">{set}</th>
                <td class="number">
                  {dutyMax === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('duty', set)}>
                      {`${toNumberText(dutyMax, 0)} %${dutyMax > 100 ? ', held open' : ''} at ${dutyAtRpm} rpm`}
                    </WhyFigure>
                  )}
                </td>
                <td class="number">
                  {demandCcPerMin === null ? (
                    '–'
                  ) : (
                    <WhyFigure of={figure('asked', set)}>{toShownNumber(demandCcPerMin, 'cc/min', { digits: 0 })}</WhyFigure>
                  )}
                </td>
                <td class={ofInjectorsPercent !== null && ofInjectorsPercent > 100 ? 'number over' : 'number'}>
                  {percent(ofInjectorsPercent, figure('of-injectors', set))}
                </td>
                <td class={ofPumpPercent !== null && ofPumpPercent > 100 ? 'number over' : 'number'}>
                  {percent(ofPumpPercent, figure('of-pump', set))}
                </td>
                <td>
                  {supply ? (
                    <WhyFigure of={figure('supply', set)}>
                      {`${toNumberText(supply.voltsStart, 1)} to ${toNumberText(supply.voltsLow, 1)} V: ${toSignedText(supply.flowPercent, 1)} % flow by dead time`}
                    </WhyFigure>
                  ) : (
                    '–'
                  )}
                </td>
              </tr>
            ))}
          </tbody>
        </table>
      </div>
      <NotJudged items={demand.flatMap(({ notJudged }) => notJudged)} />
    </>
  );
}

export function NotJudged({ items }: { items: { what: string; line: string }[] }) {
  if (items.length === 0) return null;
  return (
    <details class="not-judged">
      <summary>Not judged ({items.length})</summary>
      <ul>
        {items.map(({ what, line }) => (
          <li key={`${what} ${line}`}>
            {what}: this line would let it be: <code>{line}</code>
          </li>
        ))}
      </ul>
    </details>
  );
}

interface PowerProps {
  power: PowerView;
  figure: FigureOf;
}

function Power({ power: { source, rows, peakTorque, peakPower, correction, notJudged }, figure }: PowerProps) {
  const cell = (value: number | null, unit: string, key: string, speed: number) =>
    value === null ? '–' : <WhyFigure of={figure(key, speed)}>{toShownNumber(value, unit, { digits: 0 })}</WhyFigure>;
  return (
    <section class="power" aria-label="Torque and power">
      <h3>Torque and power, from {source}</h3>
      <p>
        <PeakFigure
          row={peakTorque}
          value={peakTorque?.torqueNm}
          corrected={peakTorque?.correctedNm}
          unit="Nm"
          of="torque"
          figure={figure}
        />
        ; <PeakFigure row={peakPower} value={peakPower?.powerKw} corrected={peakPower?.correctedKw} unit="kW" of="power" figure={figure} />.
      </p>
      {correction && (
        <p class="small">
          SAE J1349: factor <WhyFigure of={figure('factor')}>{correction.factor.toFixed(3)}</WhyFigure> from{' '}
          {toQuantityText(correction.stationKpa, 'kPa', { digits: 1 })} station pressure and{' '}
          {toQuantityText(correction.roomC, 'degC', { digits: 0 })}
          {correction.humidityPercent === null ? '' : `, ${toNumberText(correction.humidityPercent, 0)} % humidity`}.
          {correction.notes.map((note) => ` ${note[0]?.toUpperCase()}${note.slice(1)}.`)}
        </p>
      )}
      <NotJudged items={notJudged} />
      <details>
        <summary>By engine speed</summary>
        <div class="scroll-x">
          <table>
            <thead>
              <tr>
                <th scope="col" class="number">
                  rpm
                </th>
                <th scope="col" class="number">
                  {toShownWord('Nm')}
                </th>
                <th scope="col" class="number">
                  {toShownWord('kW')}
                </th>
                <th scope="col" class="number">
                  {toShownWord('Nm')} corrected
                </th>
                <th scope="col" class="number">
                  {toShownWord('kW')} corrected
                </th>
              </tr>
            </thead>
            <tbody>
              {rows.map(({ speed, torqueNm, powerKw, correctedNm, correctedKw }) => (
                <tr key={speed}>
                  <th scope="row" class="number">
                    {speed}
                  </th>
                  <td class="number">{cell(torqueNm, 'Nm', 'torque', speed)}</td>
                  <td class="number">{cell(powerKw, 'kW', 'power', speed)}</td>
                  <td class="number">{cell(correctedNm, 'Nm', 'torque-corrected', speed)}</td>
                  <td class="number">{cell(correctedKw, 'kW', 'power-corrected', speed)}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      </details>
    </section>
  );
}

interface PeakFigureProps {
  row: PowerView['rows'][number] | null;
  value: number | undefined;
  corrected: number | null | undefined;
  unit: 'Nm' | 'kW';
  of: 'torque' | 'power';
  figure: FigureOf;
}

function PeakFigure({ row, value, corrected, unit, of, figure }: PeakFigureProps) {
  if (!row || value === undefined) return <>no number</>;
  return (
    <>
      <WhyFigure of={figure(of, row.speed)}>{toQuantityText(value, unit, { digits: 0 })}</WhyFigure> as measured
      {corrected !== null && corrected !== undefined && (
        <>
          , <WhyFigure of={figure(`${of}-corrected`, row.speed)}>{toShownNumber(corrected, unit, { digits: 0 })}</WhyFigure> corrected
        </>
      )}{' '}
      at {row.speed} rpm
    </>
  );
}

const startWords = { oil: 'oil', coolant: 'coolant', intake: 'intake air', fuel: 'fuel', exhaust: 'exhaust' } as const;

const startItems = Object.keys(startWords) as (keyof typeof startWords)[];

export function toStartText(start: PullView['start']): string {
  const parts = startItems.flatMap((item) =>
    start[item] === null ? [] : [`${startWords[item]} ${toShownNumber(start[item], 'degC', { digits: 0 })}`],
  );
  return parts.length === 0 ? 'no temperature is known' : `${parts.join(', ')} ${toShownWord('degC')}`;
}

function Start({ pull: { start }, figure }: AfterPullProps) {
  const known = startItems.filter((item) => start[item] !== null);
  return (
    <p class="small quiet">
      Began at {known.length === 0 && 'no temperature is known'}
      {known.map((item, i) => (
        <span key={item}>
          {i > 0 && ', '}
          <WhyFigure of={figure('start', item)}>
            {startWords[item]} {toShownNumber(start[item] as number, 'degC', { digits: 0 })}
          </WhyFigure>
        </span>
      ))}
      {known.length > 0 && ` ${toShownWord('degC')}`}.
    </p>
  );
}
