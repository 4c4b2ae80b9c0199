// What a pull did, once it is over: peaks as read and as estimated, margins, beside the pull before, fuel asked and given, power, start.
import type { DemandView, PowerView, PullView } from '../../server/contract/pulls.ts';
import { toNumberText, toSignedText } from '../shell/numbers.ts';
import { toKelvinText, toQuantityText, toShownNumber, toShownWord } from '../shell/units.ts';

export function AfterPull({ pull }: { pull: PullView }) {
  return (
    <div class="after-pull">
      <MarginRow pull={pull} />
      <CylinderTable pull={pull} />
      {pull.demand.length > 0 && <DemandTable demand={pull.demand} />}
      {pull.power && <Power power={pull.power} />}
      <Start pull={pull} />
    </div>
  );
}

function MarginRow({ pull: { margins, bands, beside } }: { pull: PullView }) {
  const spread = Math.max(...bands.flatMap(({ spreadK }) => spreadK ?? []));
  const rms = Math.max(...bands.flatMap(({ rmsK }) => rmsK ?? []));
  const change = meanOf(beside?.bands.map(({ spreadK }) => spreadK) ?? []);
  const left = (value: number | null, unit: string) =>
    value === null
      ? 'no limit set'
      : value < 0
        ? `${toQuantityText(-value, unit, { digits: 0, difference: true })} over`
        : toQuantityText(value, unit, { digits: 0, difference: true });
  return (
    <dl class="facts-row">
      <Fact name="Spread" value={Number.isFinite(spread) ? `up to ${toKelvinText(spread)}` : 'no spread'} />
      <Fact name="RMS" value={Number.isFinite(rms) ? `up to ${toKelvinText(rms, { digits: 1 })}` : 'no number'} />
      {beside && change !== null && (
        <Fact name={`Spread beside pull ${beside.before}`} value={`${toKelvinText(change, { digits: 1, signed: true })} on the mean`} />
      )}
      <Fact name="Left to the exhaust limit" value={left(margins.exhaustK, 'K')} />
      <Fact name="Left to the spread limit" value={left(margins.spreadK, 'K')} />
      <Fact name="Left to the duty limit" value={left(margins.dutyPercent, '%')} />
    </dl>
  );
}

function meanOf(values: (number | null)[]): number | null {
  const known = values.filter((value) => value !== null);
  return known.length === 0 ? null : known.reduce((sum, value) => sum + value, 0) / known.length;
}

function Fact({ name, value }: { name: string; value: string }) {
  return (
    <div>
      <dt>{name}</dt>
      <dd>{value}</dd>
    </div>
  );
}

const degrees = (value: number) => toShownNumber(value, 'degC', { digits: 0 });
const kelvin = (value: number) => toShownNumber(value, 'K', { digits: 0, difference: true });

function CylinderTable({ pull: { peaks, gas, beside } }: { pull: PullView }) {
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
                <td class="number">{peakC === null ? 'no number' : degrees(peakC)}</td>
                <td class="number">{speed ?? '–'}</td>
                <td class={marginK !== null && marginK < 0 ? 'number over' : 'number'}>
                  {marginK === null ? '–' : marginK < 0 ? `${kelvin(-marginK)} over` : kelvin(marginK)}
                </td>
                <td class="number">{change === null ? '–' : toShownNumber(change, 'K', { digits: 0, difference: true, signed: true })}</td>
                <td class="number">
                  {estimate ? `${degrees(estimate.lowC)} to ${degrees(estimate.highC)} ± ${kelvin(estimate.noiseK)}` : 'no lag given'}
                </td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}

function DemandTable({ demand }: { demand: DemandView[] }) {
  const percent = (value: number | null) => (value === null ? '–' : `${toNumberText(value, 0)} %`);
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
                  {dutyMax === null ? '–' : `${toNumberText(dutyMax, 0)} %${dutyMax > 100 ? ', held open' : ''} at ${dutyAtRpm} rpm`}
                </td>
                <td class="number">{demandCcPerMin === null ? '–' : toShownNumber(demandCcPerMin, 'cc/min', { digits: 0 })}</td>
                <td class={ofInjectorsPercent !== null && ofInjectorsPercent > 100 ? 'number over' : 'number'}>
                  {percent(ofInjectorsPercent)}
                </td>
                <td class={ofPumpPercent !== null && ofPumpPercent > 100 ? 'number over' : 'number'}>{percent(ofPumpPercent)}</td>
                <td>
                  {supply
                    ? `${toNumberText(supply.voltsStart, 1)} to ${toNumberText(supply.voltsLow, 1)} V: ${toSignedText(supply.flowPercent, 1)} % flow by dead time`
                    : '–'}
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

function Power({ power: { source, rows, peakTorque, peakPower, correction, notJudged } }: { power: PowerView }) {
  const figure = (value: number | undefined, corrected: number | null | undefined, unit: string) =>
    value === undefined
      ? 'no number'
      : `${toQuantityText(value, unit, { digits: 0 })} as measured${corrected === null || corrected === undefined ? '' : `, ${toShownNumber(corrected, unit, { digits: 0 })} corrected`}`;
  return (
    <section class="power" aria-label="Torque and power">
      <h3>Torque and power, from {source}</h3>
      <p>
        {figure(peakTorque?.torqueNm, peakTorque?.correctedNm, 'Nm')} at {peakTorque?.speed ?? '–'} rpm;{' '}
        {figure(peakPower?.powerKw, peakPower?.correctedKw, 'kW')} at {peakPower?.speed ?? '–'} rpm.
      </p>
      {correction && (
        <p class="small">
          SAE J1349: factor {correction.factor.toFixed(3)} from {toQuantityText(correction.stationKpa, 'kPa', { digits: 1 })} station
          pressure and {toQuantityText(correction.roomC, 'degC', { digits: 0 })}
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
                  <td class="number">{toShownNumber(torqueNm, 'Nm', { digits: 0 })}</td>
                  <td class="number">{toShownNumber(powerKw, 'kW', { digits: 0 })}</td>
                  <td class="number">{correctedNm === null ? '–' : toShownNumber(correctedNm, 'Nm', { digits: 0 })}</td>
                  <td class="number">{correctedKw === null ? '–' : toShownNumber(correctedKw, 'kW', { digits: 0 })}</td>
                </tr>
              ))}
            </tbody>
          </table>
        </div>
      </details>
    </section>
  );
}

const startWords = { oil: 'oil', coolant: 'coolant', intake: 'intake air', fuel: 'fuel', exhaust: 'exhaust' } as const;

export function toStartText(start: PullView['start']): string {
  const parts = (Object.keys(startWords) as (keyof typeof startWords)[]).flatMap((item) =>
    start[item] === null ? [] : [`${startWords[item]} ${toShownNumber(start[item], 'degC', { digits: 0 })}`],
  );
  return parts.length === 0 ? 'no temperature is known' : `${parts.join(', ')} ${toShownWord('degC')}`;
}

function Start({ pull: { start } }: { pull: PullView }) {
  return <p class="small quiet">Began at {toStartText(start)}.</p>;
}
