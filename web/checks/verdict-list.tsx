// Verdicts with their number, rule, evidence and what to do next: the wrong ones first, then what is not judged, then what is right.
import type { CheckResultView, VerdictView } from '../../server/contract/checks.ts';
import { toAddress } from '../router.tsx';
import { toNumberText, toUnitWord, toWords } from '../shell/numbers.ts';
import { shownUnit } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { askWhy, toFigureAddress } from '../why/asked.ts';
import { WhyFigure } from '../why/why-figure.tsx';
import { isSamples, VerdictSamples } from './verdict-samples.tsx';
import { toMeasured, toSaid } from './verdict-words.ts';

interface VerdictListProps {
  result: CheckResultView;
  /** Number of the kept run; `running`: the check still listens, and what is right may yet turn. */
  run: number | 'running';
}

export function VerdictList({ result, run }: VerdictListProps) {
  const soFar = run === 'running';
  const figure = (verdict: VerdictView) => toFigureAddress('check', run, result.verdicts.indexOf(verdict), verdict.code);
  const wrong = result.verdicts.filter(({ ok }) => !ok);
  const right = result.verdicts.filter(({ ok }) => ok);
  const notJudged = result.notJudged ?? [];
  return (
    <div class="verdicts">
      {wrong.length > 0 && (
        <section aria-label="Wrong">
          <h2>Wrong ({wrong.length})</h2>
          <ol class="plain verdict-rows">
            {wrong.map((verdict) => (
              <VerdictRow key={toKey(verdict)} verdict={verdict} figure={figure(verdict)} />
            ))}
          </ol>
        </section>
      )}
      {notJudged.length > 0 && (
        <details class="verdict-more" open={result.verdicts.length === 0}>
          <summary>Not judged ({notJudged.length})</summary>
          <ul class="plain verdict-rows">
            {notJudged.map(({ what, whatParts, line }) => (
              <li key={what} class="verdict" data-verdict="not-judged">
                <VerdictSign kind="not-judged" />
                <div>
                  <p>{toSaid({ say: what, sayParts: whatParts })}</p>
                  {line.startsWith('nothing:') ? (
                    <p class="small">{line.slice(8)}</p>
                  ) : (
                    <p class="small">
                      This line would let it be judged: <code>{line}</code>
                    </p>
                  )}
                </div>
              </li>
            ))}
          </ul>
        </details>
      )}
      {right.length > 0 && (
        <details class="verdict-more" open={wrong.length === 0 && right.length < 12}>
          <summary>
            {soFar ? 'Right so far' : 'Right'} ({right.length})
          </summary>
          <ol class="plain verdict-rows">
            {right.map((verdict) => (
              <VerdictRow key={toKey(verdict)} verdict={verdict} figure={figure(verdict)} />
            ))}
          </ol>
        </details>
      )}
      <LimitTable result={result} />
    </div>
  );
}

/** What it was judged by, and where each number is from. */
function LimitTable({ result: { check, limits = [] } }: { result: CheckResultView }) {
  const [first] = limits;
  if (!first) return null;
  return (
    <details class="verdict-more">
      <summary>Limits and where they are from ({limits.length})</summary>
      <p class="small">
        Each is yours to change in vehicle.yaml, as{' '}
        <code>
          checks: {'{'} {check}: {'{'} {first.limit}: {first.value} {first.unit} {'} }'}
        </code>
      </p>
      <div class="scroll-x">
        <table class="limit-table">
          <thead>
            <tr>
              <th scope="col">Judged</th>
              <th scope="col" class="number">
                Limit
              </th>
              <th scope="col">From</th>
              <th scope="col">Written</th>
            </tr>
          </thead>
          <tbody>
            {limits.map(({ limit, value, unit, what, source }) => {
              const shown = shownUnit(unit, unit === 'K');
              return (
                <tr key={limit}>
                  <th scope="row">{what}</th>
                  <td class="number">
                    {toShort(value * shown.factor + shown.offset)} {toUnitWord(shown.unit)}
                  </td>
                  <td>{source}</td>
                  <td>
                    <code>{limit}</code>
                  </td>
                </tr>
              );
            })}
          </tbody>
        </table>
      </div>
    </details>
  );
}

function toKey(verdict: VerdictView): string {
  const { code, bus, device, frame, channel, cylinder, set, stretch, at } = verdict;
  return [code, bus, device, frame, channel, cylinder, set, stretch, at, verdict.say].join('|');
}

interface VerdictRowProps {
  verdict: VerdictView;
  /** Address of its number; undefined: nothing is kept of it. */
  figure?: string;
}

export function VerdictRow({ verdict, figure }: VerdictRowProps) {
  const feed = useFeed();
  const { channel } = verdict;
  const known = channel !== undefined && feed.findChannel(channel) !== undefined;
  return (
    <li class="verdict" data-verdict={verdict.ok ? 'right' : 'wrong'} data-code={verdict.code}>
      <VerdictSign kind={verdict.ok ? 'right' : 'wrong'} />
      <div>
        <p class="verdict-say">{toSentence(verdict)}</p>
        <Facts verdict={verdict} figure={figure} />
        {verdict.next && (
          <p class="verdict-next">
            <b>Next:</b> {verdict.next}
          </p>
        )}
        <Evidence verdict={verdict} figure={figure} />
        {!verdict.ok && (
          <p class="verdict-links">
            {known && (
              <button type="button" class="button" onClick={() => askWhy(channel, feed)}>
                Down to the wire
              </button>
            )}
            {channel && (
              <a class="button" href={`${toAddress('harness')}?channel=${encodeURIComponent(channel)}`}>
                Pins to probe
              </a>
            )}
            {!channel && verdict.device && (
              <a class="button" href={`${toAddress('harness')}?device=${encodeURIComponent(verdict.device)}`}>
                Pins of {verdict.device}
              </a>
            )}
          </p>
        )}
      </div>
    </li>
  );
}

/** What was measured against which rule, where and when; the number can be asked where it is from. */
function Facts({ verdict, figure }: { verdict: VerdictView; figure: string | undefined }) {
  const { measured, unit } = verdict;
  const isKnown = measured !== undefined && measured !== null;
  return (
    <p class="small quiet">
      {isKnown && (
        <>
          measured <WhyFigure of={figure}>{toMeasured(measured, unit)}</WhyFigure>
          {' · '}
        </>
      )}
      {factsOf(verdict).join(' · ')}
    </p>
  );
}

function factsOf(verdict: VerdictView): string[] {
  const facts: string[] = [];
  const about = [
    verdict.bus && `bus ${verdict.bus}`,
    verdict.stretch && `stretch ${verdict.stretch}`,
    verdict.group && `group ${String(verdict.group)}`,
  ];
  facts.push(...about.filter((text) => typeof text === 'string'));
  if (verdict.cylinder !== undefined) facts.push(`cylinder ${verdict.cylinder}`);
  if (verdict.channel) facts.push(toWords(verdict.channel));
  if (verdict.limit !== undefined && verdict.limit !== null) facts.push(`limit ${toMeasured(verdict.limit, verdict.unit)}`);
  if (verdict.at !== undefined) facts.push(`at ${toNumberText(verdict.at, 1)} s`);
  if (verdict.confidence !== undefined) facts.push(`${Math.round(verdict.confidence * 100)} % sure`);
  facts.push(`rule ${verdict.code}`);
  return facts;
}

function Evidence({ verdict, figure }: { verdict: VerdictView; figure: string | undefined }) {
  const { evidence, alternatives, episodes, times, samples } = verdict as Record<string, unknown>;
  const numbers = typeof evidence === 'object' && evidence !== null && !Array.isArray(evidence) ? Object.entries(evidence) : [];
  const plain = numbers.filter(([, value]) => typeof value === 'number' || typeof value === 'string');
  const list = Array.isArray(episodes) ? episodes : Array.isArray(times) ? times : [];
  const others = Array.isArray(alternatives) ? alternatives.map(String) : [];
  const drawn = isSamples(samples) ? samples : undefined;
  if (plain.length === 0 && list.length === 0 && others.length === 0 && !drawn) return null;
  return (
    <details class="evidence">
      <summary>Evidence</summary>
      {drawn && <VerdictSamples samples={drawn} at={verdict.at} />}
      {others.length > 0 && <p class="small">It could also be: {others.join(', ')}</p>}
      {plain.length > 0 && (
        <dl>
          {plain.map(([name, value]) => (
            <div key={name}>
              <dt>{name.replace(/[A-Z]+|\d+/g, (part) => ` ${part.toLowerCase()}`)}</dt>
              <dd>
                <WhyFigure of={figure}>{toShort(value as number | string)}</WhyFigure>
              </dd>
            </div>
          ))}
        </dl>
      )}
      {list.length > 0 && (
        <ol class="small">
          {(list as { at?: number; seconds?: number }[]).map(({ at, seconds }) => (
            <li key={at}>
              at {toShort(at ?? 0)} s, for {toShort(seconds ?? 0)} s
            </li>
          ))}
        </ol>
      )}
    </details>
  );
}

function toShort(value: number | string): string {
  return typeof value === 'number' ? String(Number(value.toPrecision(5))).replace('-', '−') : value;
}

/** Names keep their letters as the files write them. */
function toSentence(verdict: VerdictView): string {
  const { device, frame, channel } = verdict;
  const say = toSaid(verdict);
  const named = [device, frame, channel].some((name) => name !== undefined && say.startsWith(name));
  return named ? say : say.charAt(0).toUpperCase() + say.slice(1);
}

/** Shape beside colour: a tick in a ring, a bar across a square, an open ring. */
export function VerdictSign({ kind }: { kind: 'right' | 'wrong' | 'not-judged' }) {
  const words = { right: 'Right', wrong: 'Wrong', 'not-judged': 'Not judged' } as const;
  return (
    <svg viewBox="0 0 24 24" class={`verdict-sign ${kind}`} role="img" aria-label={words[kind]}>
      {kind === 'right' && <path d="M4 13l5 6L20 5" />}
      {kind === 'wrong' && <path d="M3 3h18v18H3zM3 21L21 3" />}
      {kind === 'not-judged' && <path d="M12 3a9 9 0 1 0 .01 0z" stroke-dasharray="4 3" />}
    </svg>
  );
}
