// What the traces are at two cursors and between them, as a table: of the samples themselves where they are stored.
import type { ChannelStatistics } from '../../server/contract/statistics.ts';
import { digitsOf, toCountText, toNumberText, toSignedText, toUnitWord } from '../shell/numbers.ts';
import { shownUnit } from '../shell/units.ts';
import { useFeed } from '../stream/feed.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyAt } from '../why/why-at.tsx';
import { WhyFigure } from '../why/why-figure.tsx';
import { extremesBetween, meanNear, type SessionRange, type TraceChoice, valueAt } from './plot-data.ts';
import { TraceSample } from './rolling-plot.tsx';
import type { StillTrace } from './still-plot.tsx';
import { toStatisticsQuery, toUs, useInstant, useStatistics } from './stored-numbers.ts';
import type { Stretch } from './stretch.ts';

/** Choices with what is known of them: the trace's place in its plot, its unit, its data. */
export interface Drawn extends StillTrace {
  choice: TraceChoice;
  text: string;
  unit: string;
  limits: { y: number; label: string }[];
}

export interface MeasuresProps {
  drawn: Drawn[];
  ranges: ReadonlyMap<number | 'live', SessionRange>;
  cursors: number[];
  /** Of time in sight; and of engine speed, when that is the axis. */
  time: Stretch;
  speed: Stretch | undefined;
}

/** Half the width over which a value at a speed is taken, as a share of the speeds in sight. */
const nearShare = 0.005;

export function Measures({ drawn, ranges, cursors, time, speed }: MeasuresProps) {
  const [a, b] = cursors;
  const recorded = useFeed().status.value?.recording.session;
  const shown = speed ?? time;
  const between: Stretch = a !== undefined && b !== undefined ? { from: a, to: b } : shown;
  const choices = drawn.map(({ choice }) => choice);
  const found = useStatistics(choices, ranges, speed ? time : between, speed ? between : undefined);
  // By speed a trace comes by a cursor many times: what it is there is the mean of the samples about it.
  const [aboutA, aboutB] = [a, b].map((x) => (speed && x !== undefined ? stretchAbout(x, speed) : undefined));
  const [meansAtA, meansAtB] = [
    useStatistics(choices, ranges, aboutA && time, aboutA),
    useStatistics(choices, ranges, aboutB && time, aboutB),
  ];
  const [valuesAtA, valuesAtB] = [useInstant(choices, ranges, speed ? undefined : a), useInstant(choices, ranges, speed ? undefined : b)];
  if (drawn.length === 0) {
    return <p class="quiet">Choose channels above. A press on a plot sets a cursor, two measure what lies between.</p>;
  }
  /** Of the stored samples where they are known, else of what is drawn. */
  const byTime = (trace: Drawn, x: number | undefined, values: ReadonlyMap<string, number | null>): End => {
    if (!trace.data || x === undefined) return {};
    const stored = values.get(trace.text);
    return { value: stored === undefined ? valueAt(trace.data, x, time.to - time.from) : (stored ?? undefined), x };
  };
  const bySpeed = (trace: Drawn, x: number | undefined, about: Stretch | undefined, means: ReadonlyMap<string, ChannelStatistics>): End => {
    if (!trace.data || x === undefined || !about) return {};
    const stored = means.get(trace.text);
    // Without a sample there it has no value, whatever is drawn across.
    if (stored) return stored.mean === null ? {} : { value: stored.mean, mean: meanOf(trace, ranges, time, about) };
    return { value: meanNear(trace.data, x, (about.to - about.from) / 2) };
  };
  return (
    <div class="scroll-x">
      <table class="measures">
        <caption class="small quiet">{toCaption(cursors, speed !== undefined)}</caption>
        <thead>
          <tr>
            <th scope="col">Trace</th>
            {['at A', 'at B', 'B − A', 'Lowest', 'Highest', 'Mean', '5 %', 'Middle', '95 %', 'Not ok'].map((head) => (
              <th key={head} scope="col" class="number">
                {head}
              </th>
            ))}
          </tr>
        </thead>
        <tbody>
          {drawn.map((trace) => (
            <MeasureRow
              key={trace.text}
              trace={trace}
              atA={speed ? bySpeed(trace, a, aboutA, meansAtA) : byTime(trace, a, valuesAtA)}
              atB={speed ? bySpeed(trace, b, aboutB, meansAtB) : byTime(trace, b, valuesAtB)}
              asked={speed ? undefined : askedOf(trace, ranges, recorded)}
              mean={meanOf(trace, ranges, speed ? time : between, speed && between)}
              apart={speed ? apartOf(trace, ranges, time, aboutA, aboutB) : undefined}
              statistics={found.get(trace.text)}
              seen={trace.data && extremesBetween(trace.data, between.from, between.to)}
            />
          ))}
        </tbody>
      </table>
    </div>
  );
}

function stretchAbout(x: number, { from, to }: Stretch): Stretch {
  const near = (to - from) * nearShare;
  return { from: x - near, to: x + near };
}

/** A trace at a cursor. */
interface End {
  value?: number | undefined;
  /** Place on the axis of time, where it is one. */
  x?: number;
  /** Address of the mean that it is; undefined: it is no mean of stored samples. */
  mean?: string | undefined;
}

/** A trace's session and where it begins: where a number at a cursor can be asked for. */
interface Asked {
  session: number;
  channel: string;
  range: SessionRange;
}

/** Of the live session it is its recording that knows. */
function askedOf({ choice }: Drawn, ranges: MeasuresProps['ranges'], recorded: number | null | undefined): Asked | undefined {
  const session = choice.session === 'live' ? recorded : choice.session;
  const range = ranges.get(choice.session);
  return typeof session !== 'number' || range === undefined ? undefined : { session, channel: choice.channel, range };
}

function meanOf({ choice }: Drawn, ranges: MeasuresProps['ranges'], time: Stretch, speed: Stretch | undefined): string | undefined {
  const range = ranges.get(choice.session);
  if (typeof choice.session !== 'number' || !range) return undefined;
  const query = toStatisticsQuery([choice.channel], range, time, speed);
  const wanted = ['from', 'to', ...(query.has('axis') ? ['axis', 'axisFrom', 'axisTo'] : [])].map((name) => query.get(name) ?? '');
  return toFigureAddress('samples', choice.session, choice.channel, ...wanted);
}

/** Address of the difference of its means about both cursors. */
function apartOf({ choice }: Drawn, ranges: MeasuresProps['ranges'], time: Stretch, a: Stretch | undefined, b: Stretch | undefined) {
  const range = ranges.get(choice.session);
  if (typeof choice.session !== 'number' || range?.speed === undefined || !a || !b) return undefined;
  const query = toStatisticsQuery([choice.channel], range, time, undefined);
  const [from = '', to = ''] = ['from', 'to'].map((name) => query.get(name) ?? '');
  return toFigureAddress('between', choice.session, choice.channel, from, to, range.speed, a.from, a.to, b.from, b.to);
}

function toCaption([a, b]: number[], bySpeed: boolean): string {
  const apart = a !== undefined && b !== undefined ? toNumberText(b - a, bySpeed ? 0 : 3) : undefined;
  const where = apart === undefined ? 'Over what is in sight' : `Between the cursors, ${apart} ${bySpeed ? 'rpm' : 's'} apart`;
  const what = bySpeed ? 'samples of the time in sight at those speeds; at A and B the mean of those there' : 'all samples';
  return `${where}: ${what}. Numbers are of samples that were ok; of live channels lowest and highest of the bins alone.`;
}

interface MeasureRowProps {
  trace: Drawn;
  atA: End;
  atB: End;
  /** Undefined: no instant of it is known. */
  asked: Asked | undefined;
  /** Address of the mean of its stored samples; undefined: they are not stored. */
  mean: string | undefined;
  /** Address of B − A by engine speed. */
  apart: string | undefined;
  statistics: ChannelStatistics | undefined;
  /** Of what is drawn, until or where the samples are not at hand. */
  seen: { low: number; high: number } | undefined;
}

function MeasureRow({ trace, atA, atB, asked, mean, apart, statistics, seen }: MeasureRowProps) {
  const shown = shownUnit(trace.unit);
  const digits = digitsOf(shown.unit) + 1;
  const say = (value: number | null | undefined) =>
    value === undefined || value === null ? '–' : toNumberText(value * shown.factor + shown.offset, digits);
  const { low, high } = statistics ?? seen ?? {};
  const session = typeof trace.choice.session === 'number' ? trace.choice.session : undefined;
  /** A number of the stored samples leads to the sample behind it. */
  const found = (value: number | null | undefined, atUs: number | null | undefined) =>
    session !== undefined && typeof value === 'number' && typeof atUs === 'number' ? (
      <WhyAt session={session} channel={trace.choice.channel} atUs={atUs}>
        {say(value)}
      </WhyAt>
    ) : (
      say(value)
    );
  const asUs = ({ x }: End) => (asked && x !== undefined ? toUs(asked.range, x) : undefined);
  const [aUs, bUs] = [asUs(atA), asUs(atB)];
  const askable = ({ value, mean: of }: End, atUs: number | undefined) =>
    asked && value !== undefined && atUs !== undefined ? (
      <WhyAt session={asked.session} channel={asked.channel} atUs={atUs}>
        {say(value)}
      </WhyAt>
    ) : (
      <WhyFigure of={value === undefined ? undefined : of}>{say(value)}</WhyFigure>
    );
  const isApart = atA.value !== undefined && atB.value !== undefined;
  const between =
    asked && aUs !== undefined && bUs !== undefined ? toFigureAddress('between', asked.session, asked.channel, aUs, bUs) : apart;
  return (
    <tr>
      <th scope="row">
        <TraceSample style={trace.style} /> {trace.label} <span class="quiet">{toUnitWord(shown.unit)}</span>
      </th>
      <td class="number">{askable(atA, aUs)}</td>
      <td class="number">{askable(atB, bUs)}</td>
      <td class="number">
        {isApart ? <WhyFigure of={between}>{toSignedText(((atB.value ?? 0) - (atA.value ?? 0)) * shown.factor, digits)}</WhyFigure> : '–'}
      </td>
      <td class="number">{found(low, statistics?.lowAt)}</td>
      <td class="number">{found(high, statistics?.highAt)}</td>
      <td class="number" title={statistics ? `of ${toCountText(statistics.ok)} samples` : undefined}>
        <WhyFigure of={typeof statistics?.mean === 'number' ? mean : undefined}>{say(statistics?.mean)}</WhyFigure>
      </td>
      <td class="number">{found(statistics?.p5, statistics?.p5At)}</td>
      <td class="number">{found(statistics?.p50, statistics?.p50At)}</td>
      <td class="number">{found(statistics?.p95, statistics?.p95At)}</td>
      <td class="number">{statistics ? <WhyFigure of={mean}>{toNotOk(statistics)}</WhyFigure> : '–'}</td>
    </tr>
  );
}

function toNotOk({ outOfRange, bad }: ChannelStatistics): string {
  const said = [outOfRange > 0 ? `${toCountText(outOfRange)} out of range` : '', bad > 0 ? `${toCountText(bad)} without a number` : ''];
  return said.filter(Boolean).join(', ') || '0';
}
