// The pull in progress, readable at three metres: time to limit, lift now, spread beside the last pull, headroom, and what the last one did.
import './live-pull.css';
import { useEffect } from 'preact/hooks';
import type { PullNowView } from '../../server/contract/pull-now.ts';
import { toClockText, toNumberText } from '../shell/numbers.ts';
import { toKelvinText, toQuantityText, toShownNumber } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { figuresOf, toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { WhyNow } from '../why/why-now.tsx';
import { AfterPull } from './after-pull.tsx';
import { silence, soundLimit, toneOn, turnToneOff, turnToneOn } from './limit-tone.ts';
import { usePullStream } from './pull-now.ts';

type Now = PullNowView['now'];

export function LivePull() {
  const { view, over, lost } = usePullStream();
  const now = view.value?.now;
  const nearest = lost.value || now?.phase === 'none' ? null : (now?.nearest?.limitInS ?? null);
  const liftNow = !lost.value && now?.liftNow === true;
  useEffect(() => {
    soundLimit(nearest, liftNow);
  }, [nearest, liftNow]);
  useEffect(() => silence, []);
  if (!view.value || !now) return <p role="status">{lost.value ? 'No data comes.' : 'Waiting for the first data.'}</p>;
  const driving = now.phase !== 'none';
  return (
    <section class="live-pull" data-phase={now.phase} data-lost={lost.value ? '' : undefined} aria-label="Pull in progress">
      {lost.value && (
        <p class="pull-old" role="status">
          No data: what stands here is old
        </p>
      )}
      <Headline view={view.value} liftNow={liftNow} />
      <CylinderRow now={now} />
      <div class="pull-figures">
        <SpreadFigure now={now} />
        {now.sets.map((set) => (
          <SetFigure key={set.set} set={set} />
        ))}
      </div>
      {!driving && <Ready now={now} />}
      <div class="pull-tools">
        <button type="button" class="button" aria-pressed={toneOn.value} onClick={() => (toneOn.value ? turnToneOff() : void turnToneOn())}>
          {toneOn.value ? 'Limit tone is on' : 'Limit tone is off'}
        </button>
      </div>
      {now.notJudged.map(({ what, line }) => (
        <p key={`${what} ${line}`} class="problem">
          Not judged: {what}. This line would let it be: <code>{line}</code>
        </p>
      ))}
      {!driving && over.value && (
        <section class="pull-over" aria-labelledby="over-title">
          <h2 id="over-title">
            {over.value.pull.kind === 'sweep' ? 'Pull' : 'Hold'} {over.value.pull.number} is over
            {over.value.settled ? '' : ': peaks may still rise'}
          </h2>
          <AfterPull pull={over.value.pull} figure={figuresOf('over', Math.round(over.value.fromUs))} />
        </section>
      )}
    </section>
  );
}

function Headline({ view: { now, timeUs, count }, liftNow }: { view: PullNowView; liftNow: boolean }) {
  const speed = useFeed().vehicle.value?.engine?.roles.speed;
  const falling = now.cylinders.filter(({ falls }) => falls).map(({ cylinder }) => cylinder);
  const since = now.sinceUs === null ? '' : toClockText((timeUs - now.sinceUs) / 1e6);
  if (liftNow) {
    const hot = now.cylinders.filter((one) => one.liftNow).map(({ cylinder }) => cylinder);
    return (
      <p class="pull-headline lift" role="alert">
        LIFT NOW <span class="pull-sub">cylinder {hot.join(', ')}</span>
      </p>
    );
  }
  if (falling.length > 0 && now.phase !== 'none')
    return (
      <p class="pull-headline lift" role="alert">
        LIFT <span class="pull-sub">cylinder {falling.join(', ')} falls</span>
      </p>
    );
  const words = { none: `Between pulls`, sweep: 'Pull', hold: 'Hold' }[now.phase];
  return (
    <p class="pull-headline">
      {words} <span class="pull-sub">{now.phase === 'none' ? `${count} since the start` : since}</span>
      <span class="pull-rpm">
        <WhyNow channel={speed}>{now.rpm === null ? 'no speed' : now.rpm}</WhyNow> <span class="unit">rpm</span>
      </span>
    </p>
  );
}

function CylinderRow({ now }: { now: Now }) {
  const channels = useFeed().vehicle.value?.engine?.cylinders;
  const of = (cylinder: number) => channels?.find((one) => one.cylinder === cylinder);
  return (
    <ol class="plain pull-cylinders">
      {now.cylinders.map(({ cylinder, tempC, limitInS, liftNow, falls }) => (
        <li
          key={cylinder}
          class="pull-cylinder"
          data-lift={liftNow ? '' : undefined}
          data-falls={falls ? '' : undefined}
          data-nearest={now.nearest?.cylinder === cylinder ? '' : undefined}
        >
          <span class="cylinder-number">{cylinder}</span>
          <b class="pull-temp">
            <WhyNow channel={of(cylinder)?.exhaustTemp}>
              {tempC === null ? 'no number' : toShownNumber(tempC, 'degC', { digits: 0 })}
            </WhyNow>
          </b>
          <span class="pull-limit">
            {liftNow ? (
              'lift now'
            ) : falls ? (
              'falls'
            ) : limitInS === null ? (
              ''
            ) : (
              <WhyNow channel={of(cylinder)?.timeToLimit}>limit in {toNumberText(limitInS, 1)} s</WhyNow>
            )}
          </span>
        </li>
      ))}
    </ol>
  );
}

function SpreadFigure({ now: { spreadK, rmsK, lastSpreadK, lastRmsK } }: { now: Now }) {
  return (
    <div class="pull-figure">
      <p class="strip-name">Spread</p>
      <b>
        <WhyNow channel="exhaust_spread">{spreadK === null ? 'no number' : toKelvinText(spreadK)}</WhyNow>
      </b>
      <span class="small">
        {spreadK !== null && lastSpreadK !== null && (
          <WhyFigure of={toFigureAddress('beside', 'spread')}>
            {toKelvinText(spreadK - lastSpreadK, { signed: true })} beside the last pull at this speed
          </WhyFigure>
        )}
      </span>
      <span class="small">
        {rmsK !== null && <WhyNow channel="exhaust_rms">RMS {toKelvinText(rmsK, { digits: 1 })}</WhyNow>}
        {rmsK !== null && lastRmsK !== null && (
          <>
            {' '}
            <WhyFigure of={toFigureAddress('beside', 'rms')}>
              ({toShownNumber(rmsK - lastRmsK, 'K', { digits: 1, difference: true, signed: true })})
            </WhyFigure>
          </>
        )}
      </span>
    </div>
  );
}

function SetFigure({ set: { set, dutyPercent, headroomPercent, deltaKpa, bandKpa, inBand } }: { set: Now['sets'][number] }) {
  const channels = useFeed().vehicle.value?.injectorSets.find(({ name }) => name === set);
  const outside = inBand === false;
  const over = headroomPercent !== null && headroomPercent < 0;
  return (
    <div class="pull-figure" data-outside={outside || over ? '' : undefined}>
      <p class="strip-name">{set}</p>
      <b>
        <WhyNow channel={channels?.duty}>{headroomPercent === null ? 'no duty' : `${toNumberText(headroomPercent, 0)} % left`}</WhyNow>
      </b>
      <span class="small">
        {dutyPercent !== null && <WhyNow channel={channels?.duty}>duty {toNumberText(dutyPercent, 0)} %</WhyNow>}
        {dutyPercent !== null && over ? ', over its limit' : ''}
      </span>
      <span class="pull-delta">
        <WhyNow channel={channels?.fuelDelta}>{deltaKpa === null ? 'no delta' : toQuantityText(deltaKpa, 'kPa')}</WhyNow>
        {outside ? ' outside its band' : ''}
      </span>
      <span class="small">{bandKpa ? `band ${toShownNumber(bandKpa[0], 'kPa')} to ${toQuantityText(bandKpa[1], 'kPa')}` : ''}</span>
    </div>
  );
}

const itemWords = { oil: 'Oil', coolant: 'Coolant', intake: 'Intake air', fuel: 'Fuel', exhaust: 'Exhaust' } as const;

/** An unknown never looks ready. */
function Ready({ now: { readiness } }: { now: Now }) {
  const { ready, items } = readiness;
  if (items.length === 0) return <p class="pull-ready quiet">The first pull sets the window in which the next ones begin.</p>;
  const words = ready === true ? 'Ready for the next pull' : ready === false ? 'Not ready yet' : 'It can not be told whether it is ready';
  return (
    <div class="pull-ready" data-ready={String(ready)}>
      <p class="ready-word">
        <span aria-hidden="true">{ready === true ? '✓ ' : '… '}</span>
        {words}
      </p>
      <ul class="plain ready-items">
        {items.map(({ what, now: value, low, high, ok }) => (
          <li key={what} data-ok={String(ok)}>
            {itemWords[what]}{' '}
            <WhyFigure of={toFigureAddress('ready', what)}>
              {value === null ? 'no number' : toQuantityText(value, 'degC', { digits: 0 })}
            </WhyFigure>{' '}
            <span class="quiet">
              {ok === true ? 'is within' : value === null ? 'wanted' : value < low ? 'too cold, wanted' : 'too hot, wanted'}{' '}
              <WhyFigure of={toFigureAddress('ready', what)}>
                {toShownNumber(low, 'degC', { digits: 0 })} to {toShownNumber(high, 'degC', { digits: 0 })}
              </WhyFigure>
            </span>
          </li>
        ))}
      </ul>
    </div>
  );
}
