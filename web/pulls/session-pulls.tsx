// The pulls of one session: rows to tick, name, number and correct, what each did, spread and peaks side by side, fall-off, the dyno and its log.
import { useComputed, useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { PullsView, PullView } from '../../server/contract/pulls.ts';

import { toAddress } from '../router.tsx';
import { toClockText, toNumberText } from '../shell/numbers.ts';
import { toKelvinText, toQuantityText, toShownNumber } from '../shell/units.ts';
import { useAttempts } from '../shell/work.tsx';
import { getJson } from '../stream/api.ts';
import { type FigureOf, figuresOf } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { AfterPull } from './after-pull.tsx';
import { CorrectPull, PutPullIn } from './correct-pull.tsx';
import { DynoPanel } from './dyno-panel.tsx';
import { PeakTable } from './peak-table.tsx';
import { SpreadPlot } from './spread-plot.tsx';

/** A session that is still recorded is judged anew this often: each look reads all of it. */
const refreshMs = 15_000;

export function SessionPulls({ session, isOpen }: { session: number; isOpen: boolean }) {
  const view = useSignal<PullsView | undefined>(undefined);
  const { problem, attempt } = useAttempts();
  const left = useSignal<ReadonlySet<number>>(new Set());
  const look = () =>
    attempt(async () => {
      view.value = await getJson<PullsView>(`/api/sessions/${session}/pulls`);
    });
  useEffect(() => {
    let asking = false;
    const again = async () => {
      if (asking || document.hidden) return;
      asking = true;
      await look();
      asking = false;
    };
    void again();
    if (!isOpen) return;
    const timer = setInterval(() => void again(), refreshMs);
    return () => clearInterval(timer);
  }, [session, isOpen]);
  const pulls = useComputed(() => view.value?.pulls ?? []);
  const shown = useComputed(() =>
    pulls.value.map((pull) => ({ pull, number: pull.number })).filter(({ number }) => !left.value.has(number)),
  );
  if (!view.value) return problem.value ? <p class="problem">{problem}</p> : <p role="status">Looking for pulls in session {session}.</p>;
  const toggle = (number: number) => {
    const next = new Set(left.value);
    if (!next.delete(number)) next.add(number);
    left.value = next;
  };
  const { startUs, notJudged, seconds, fallOff } = view.value;
  return (
    <>
      {problem.value && <p class="problem">What stands here is old. {problem}</p>}
      {notJudged.map(({ what, line }) => (
        <p key={line} class="problem">
          {what} are not judged. This line would let them be: <code>{line}</code>
        </p>
      ))}
      {pulls.value.length === 0 && notJudged.length === 0 && (
        <p>
          No pull yet in {toClockText(seconds)}. A pull is full throttle with rising engine speed for 1.5 s or more; a hold is steady load
          for 4 s or more.
        </p>
      )}
      <DynoPanel view={view.value} session={session} changed={look} />
      {pulls.value.length > 0 && (
        <>
          <ol class="plain pull-rows">
            {pulls.value.map((pull) => (
              <PullRow
                key={`${pull.kind} ${pull.from}`}
                pull={pull}
                session={session}
                startUs={startUs}
                isShown={!left.value.has(pull.number)}
                changed={look}
                toggle={() => toggle(pull.number)}
              />
            ))}
          </ol>
          <p>
            <a class="button" href={toAddress('pulls', 'sheet', String(session))}>
              Pull sheet to print
            </a>
          </p>
          <SpreadPlot pulls={shown.value} />
          <PeakTable pulls={shown.value} session={session} />
          <p class="small quiet">
            Indicated temperatures: a probe lags, so a peak may come after the lift, up to 3 s. Spread is the highest less the lowest of the
            probes that give numbers, and is silent when all go hot together. Below{' '}
            {toShownNumber(15, 'K', { digits: 0, difference: true })} to {toKelvinText(20)} between cylinders means nothing yet.
          </p>
          {fallOff.length > 0 && <FallOff items={fallOff} figure={figuresOf('pulls', session, 'fall-off')} />}
        </>
      )}
      <PutPullIn session={session} startUs={startUs} seconds={seconds} changed={look} />
    </>
  );
}

function FallOff({ items, figure }: { items: PullsView['fallOff']; figure: FigureOf }) {
  return (
    <section aria-labelledby="fall-title">
      <h2 id="fall-title">Fuel pressure delta</h2>
      <ul>
        {items.map(({ set, say, railPerReference }) => (
          <li key={set}>
            <WhyFigure of={figure(set, 'fall')}>{say}</WhyFigure>
            {railPerReference !== null && (
              <>
                {' '}
                (rail over its reference: <WhyFigure of={figure(set, 'slope')}>{toNumberText(railPerReference, 2)}</WhyFigure>; 1 is
                healthy)
              </>
            )}
            .
          </li>
        ))}
      </ul>
    </section>
  );
}

interface PullRowProps {
  pull: PullView;
  session: number;
  startUs: number;
  isShown: boolean;
  toggle(): void;
  changed(): Promise<void>;
}

export function toPullWords({ kind, complete }: Pick<PullView, 'kind' | 'complete'>): string {
  return kind === 'hold' ? (complete ? 'Hold' : 'Short hold') : complete ? 'Sweep' : 'Sweep, lifted early';
}

function PullRow({ pull, session, startUs, isShown, toggle, changed }: PullRowProps) {
  const { number, name, byHand, kind, from, to, speedFrom, speedTo, bands, sets } = pull;
  const spread = Math.max(...bands.flatMap(({ spreadK }) => spreadK ?? []));
  const figure = figuresOf('pulls', session, number);
  const at = `${toAddress('sessions', String(session))}?at=${Math.round(startUs) + Math.round(from * 1e6)}`;
  return (
    <li class="panel pull-row" data-kind={kind}>
      <div class="pull-line">
        <label>
          <input type="checkbox" checked={isShown} onChange={toggle} />
          <b>
            {number} {toPullWords(pull)}
          </b>
        </label>
        {name && <b class="pull-name">{name}</b>}
        <span>
          {kind === 'hold' ? (
            <WhyFigure of={figure('speed-from')}>{Math.round((speedFrom + speedTo) / 2)}</WhyFigure>
          ) : (
            <>
              <WhyFigure of={figure('speed-from')}>{speedFrom}</WhyFigure> to <WhyFigure of={figure('speed-to')}>{speedTo}</WhyFigure>
            </>
          )}{' '}
          rpm, <WhyFigure of={figure('seconds')}>{toNumberText(to - from, 1)} s</WhyFigure>
          {byHand ? ', by hand' : ''}
        </span>
        <span>
          {Number.isFinite(spread) ? (
            <>
              spread up to <WhyFigure of={figure('widest')}>{toKelvinText(spread)}</WhyFigure>
            </>
          ) : (
            'no spread'
          )}
        </span>
        {sets.map((set) => (
          <SetFigures key={set.set} set={set} figure={figure} />
        ))}
        <a class="button" href={at}>
          Replay
        </a>
      </div>
      <div class="pull-more">
        <details>
          <summary>What it did</summary>
          <AfterPull pull={pull} figure={figure} />
        </details>
        <details>
          <summary>Name and correct</summary>
          <CorrectPull pull={pull} session={session} startUs={startUs} changed={changed} />
        </details>
      </div>
    </li>
  );
}

function SetFigures({ set: { set, dutyMax, deltaMin, deltaMax }, figure }: { set: PullView['sets'][number]; figure: FigureOf }) {
  const hasDelta = deltaMin !== null && deltaMax !== null;
  if (dutyMax === null && !hasDelta) return null;
  return (
    <span class="quiet">
      {set}:{' '}
      {dutyMax !== null && (
        <>
          duty up to <WhyFigure of={figure('duty', set)}>{toNumberText(dutyMax, 0)} %</WhyFigure>
        </>
      )}
      {dutyMax !== null && hasDelta && ', '}
      {hasDelta && (
        <>
          delta <WhyFigure of={figure('delta-low', set)}>{toShownNumber(deltaMin, 'kPa')}</WhyFigure> to{' '}
          <WhyFigure of={figure('delta-high', set)}>{toQuantityText(deltaMax, 'kPa')}</WhyFigure>
        </>
      )}
    </span>
  );
}
