// A derived figure explained: rule and source, the rule with its numbers, how sure, over which stretch, and what it was computed from.
import type { FigureView } from '../../server/contract/why.ts';
import { toAddress } from '../router.tsx';
import { digitsOf, toNumberText, toUnitWord } from '../shell/numbers.ts';
import { shownUnit, toQuantityText } from '../shell/units.ts';
import { chainAt, figureAt, followWhy } from './asked.ts';

/** So many of the figures behind it are open at once. */
const figuresOpenMax = 12;

export function FigureExplained({ figure }: { figure: FigureView }) {
  const { rule, source, worked, doubts, stretches, channels, figures } = figure;
  return (
    <div class="why-link why-figure">
      <p class="why-value">
        <FigureValue {...figure} />
        <span class="quiet">computed from recorded channels</span>
      </p>
      <ShownHere figure={figure} />
      <p>{rule}</p>
      <p class="small">
        <span class="quiet">Source</span> {source}
      </p>
      {worked.length > 0 && (
        <ol class="plain why-worked" aria-label="Worked">
          {worked.map((line) => (
            <li key={line} class="why-arithmetic">
              {line}
            </li>
          ))}
        </ol>
      )}
      {doubts.length > 0 && (
        <section aria-label="How sure">
          <h3>How sure</h3>
          <ul>
            {doubts.map((words) => (
              <li key={words}>{words}</li>
            ))}
          </ul>
        </section>
      )}
      <section aria-label="From">
        <h3>From</h3>
        {channels.length > 0 && <Channels channels={channels} />}
        {figures.length > 0 && (
          <details open={figures.length <= figuresOpenMax}>
            <summary>Figures behind it ({figures.length})</summary>
            <ul class="plain why-behind">
              {figures.map(({ figure: of, title, value, unit }) => (
                <li key={of}>
                  <button type="button" class="button" data-figure={of} onClick={() => followWhy(figureAt(of, title))}>
                    {title} <b>{toText(value, unit)}</b>
                  </button>
                </li>
              ))}
            </ul>
          </details>
        )}
        <Stretches stretches={stretches} />
      </section>
    </div>
  );
}

/** As the files write it, and beside it as the page does where this browser shows another unit. */
function FigureValue({ value, unit }: Pick<FigureView, 'value' | 'unit'>) {
  return (
    <span class="why-number" data-quality={value === null ? 'missing' : 'ok'}>
      {value === null ? <b>no number</b> : toText(value, unit)}
    </span>
  );
}

function toText(value: number | null, unit: string): string {
  return value === null ? 'no number' : `${toNumberText(value, Math.max(1, digitsOf(unit)))} ${toUnitWord(unit)}`.trim();
}

function ShownHere({ figure: { value, unit, isDifference } }: { figure: FigureView }) {
  const difference = isDifference;
  if (value === null || shownUnit(unit, difference).unit === unit) return null;
  return <p class="small quiet">Shown on this browser as {toQuantityText(value, unit, { difference })}.</p>;
}

function Channels({ channels }: Pick<FigureView, 'channels'>) {
  return (
    <ul class="plain why-behind">
      {channels.map(({ session, channel, atUs, what }) => (
        <li key={`${channel} ${atUs}`}>
          {session === null ? (
            <>
              <b>{channel}</b> {what} <span class="quiet">(not recorded)</span>
            </>
          ) : (
            <button type="button" class="button" data-channel={channel} onClick={() => followWhy(chainAt(session, channel, atUs))}>
              <b>{channel}</b> {what}
            </button>
          )}
        </li>
      ))}
    </ul>
  );
}

/** Seconds from the first frame, each with a way into its replay. */
function Stretches({ stretches }: Pick<FigureView, 'stretches'>) {
  return (
    <ul class="plain small why-stretches" aria-label="Stretches">
      {stretches.map(({ session, fromUs, what }) => (
        <li key={`${session} ${fromUs} ${what}`}>
          {what}{' '}
          {session !== null && (
            <a href={`${toAddress('sessions', String(session))}?at=${Math.max(0, Math.round(fromUs))}`}>
              Replay session {session} from there
            </a>
          )}
        </li>
      ))}
    </ul>
  );
}
