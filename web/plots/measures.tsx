// What the traces are at two cursors and between them, as a table: of the samples themselves where they are stored.
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import type { ChannelStatistics, StatisticsView } from '../../server/contract/statistics.ts';
import { digitsOf, toCountText, toNumberText, toSignedText, toUnitWord } from '../shell/numbers.ts';
import { shownUnit } from '../shell/units.ts';
import { getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { toFigureAddress } from '../why/asked.ts';
import { WhyAt } from '../why/why-at.tsx';
import { WhyFigure } from '../why/why-figure.tsx';
import { extremesBetween, meanNear, type SessionRange, type TraceChoice, toChoicesText, valueAt } from './plot-data.ts';
import { TraceSample } from './rolling-plot.tsx';
import type { StillTrace } from './still-plot.tsx';
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

const restMs = 250;
/** Half the width over which a value at a speed is taken, as a share of the speeds in sight. */
const nearShare = 0.005;

export function Measures({ drawn, ranges, cursors, time, speed }: MeasuresProps) {
  const [a, b] = cursors;
  const recorded = useFeed().status.value?.recording.session;
  const shown = speed ?? time;
  const between: Stretch = a !== undefined && b !== undefined ? { from: a, to: b } : shown;
  const found = useStatistics(drawn, ranges, speed ? time : between, speed ? between : undefined);
  if (drawn.length === 0) {
    return <p class="quiet">Choose channels above. A press on a plot sets a cursor, two measure what lies between.</p>;
  }
  const at = (trace: Drawn, x: number | undefined): number | undefined => {
    if (!trace.data || x === undefined) return undefined;
    return speed ? meanNear(trace.data, x, (speed.to - speed.from) * nearShare) : valueAt(trace.data, x, time.to - time.from);
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
              atA={at(trace, a)}
              atB={at(trace, b)}
              asked={speed ? undefined : askedOf(trace, ranges, recorded)}
              mean={meanOf(trace, ranges, between, speed)}
              cursors={cursors}
              statistics={found.get(trace.text)}
              seen={trace.data && extremesBetween(trace.data, between.from, between.to)}
            />
          ))}
        </tbody>
      </table>
    </div>
  );
}

/** A trace's session, and the session time of its second 0: where a number at a cursor can be asked for. */
interface Asked {
  session: number;
  channel: string;
  zeroUs: number;
}

/** Of the live session it is its recording that knows. */
function askedOf({ choice }: Drawn, ranges: MeasuresProps['ranges'], recorded: number | null | undefined): Asked | undefined {
  const session = choice.session === 'live' ? recorded : choice.session;
  const zeroUs = ranges.get(choice.session)?.fromUs;
  return typeof session !== 'number' || zeroUs === undefined ? undefined : { session, channel: choice.channel, zeroUs };
}

function meanOf({ choice }: Drawn, ranges: MeasuresProps['ranges'], time: Stretch, speed: Stretch | undefined): string | undefined {
  const range = ranges.get(choice.session);
  if (typeof choice.session !== 'number' || !range) return undefined;
  const query = toStatisticsQuery([choice.channel], range, time, speed);
  const wanted = ['from', 'to', ...(query.has('axis') ? ['axis', 'axisFrom', 'axisTo'] : [])].map((name) => query.get(name) ?? '');
  return toFigureAddress('samples', choice.session, choice.channel, ...wanted);
}

function toCaption([a, b]: number[], bySpeed: boolean): string {
  const apart = a !== undefined && b !== undefined ? toNumberText(b - a, bySpeed ? 0 : 3) : undefined;
  const where = apart === undefined ? 'Over what is in sight' : `Between the cursors, ${apart} ${bySpeed ? 'rpm' : 's'} apart`;
  const what = bySpeed ? 'samples of the time in sight at those speeds; at A and B the mean of the points there' : 'all samples';
  return `${where}: ${what}. Numbers are of samples that were ok; of live channels lowest and highest of the bins alone.`;
}

interface MeasureRowProps {
  trace: Drawn;
  atA: number | undefined;
  atB: number | undefined;
  /** Undefined: no instant of it is known. */
  asked: Asked | undefined;
  /** Address of the mean of its stored samples; undefined: they are not stored. */
  mean: string | undefined;
  cursors: number[];
  statistics: ChannelStatistics | undefined;
  /** Of what is drawn, until or where the samples are not at hand. */
  seen: { low: number; high: number } | undefined;
}

function MeasureRow({ trace, atA, atB, asked, mean, cursors, statistics, seen }: MeasureRowProps) {
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
  const askable = (value: number | undefined, x: number | undefined) =>
    asked && value !== undefined && x !== undefined ? (
      <WhyAt session={asked.session} channel={asked.channel} atUs={asked.zeroUs + x * 1e6}>
        {say(value)}
      </WhyAt>
    ) : (
      say(value)
    );
  return (
    <tr>
      <th scope="row">
        <TraceSample style={trace.style} /> {trace.label} <span class="quiet">{toUnitWord(shown.unit)}</span>
      </th>
      <td class="number">{askable(atA, cursors[0])}</td>
      <td class="number">{askable(atB, cursors[1])}</td>
      <td class="number">{atA !== undefined && atB !== undefined ? toSignedText((atB - atA) * shown.factor, digits) : '–'}</td>
      <td class="number">{found(low, statistics?.lowAt)}</td>
      <td class="number">{found(high, statistics?.highAt)}</td>
      <td class="number" title={statistics ? `of ${toCountText(statistics.ok)} samples` : undefined}>
        <WhyFigure of={typeof statistics?.mean === 'number' ? mean : undefined}>{say(statistics?.mean)}</WhyFigure>
      </td>
      <td class="number">{found(statistics?.p5, statistics?.p5At)}</td>
      <td class="number">{found(statistics?.p50, statistics?.p50At)}</td>
      <td class="number">{found(statistics?.p95, statistics?.p95At)}</td>
      <td class="number">{statistics ? toNotOk(statistics) : '–'}</td>
    </tr>
  );
}

function toNotOk({ outOfRange, bad }: ChannelStatistics): string {
  const said = [outOfRange > 0 ? `${toCountText(outOfRange)} out of range` : '', bad > 0 ? `${toCountText(bad)} without a number` : ''];
  return said.filter(Boolean).join(', ') || '0';
}

/** Asked for once nothing has moved for a moment, a request a session; what was asked for earlier is not shown for another stretch. */
function useStatistics(drawn: Drawn[], ranges: MeasuresProps['ranges'], time: Stretch, speed: Stretch | undefined) {
  const found = useSignal<ReadonlyMap<string, ChannelStatistics>>(new Map());
  const traces = toChoicesText(drawn.map(({ choice }) => choice));
  const key = [traces, ranges.size, time.from, time.to, speed?.from, speed?.to].join();
  useEffect(() => {
    let left = false;
    found.value = new Map();
    const timer = setTimeout(() => {
      for (const session of new Set(drawn.map(({ choice }) => choice.session))) {
        const range = ranges.get(session);
        if (session === 'live' || !range || (speed && range.speed === undefined)) continue;
        const channels = drawn.filter(({ choice }) => choice.session === session).map(({ choice }) => choice.channel);
        const query = toStatisticsQuery(channels, range, time, speed);
        getJson<StatisticsView>(`/api/sessions/${session}/statistics?${query}`).then(
          (view) => {
            if (left) return;
            const known = view.channels.map((one) => [toChoicesText([{ session, channel: one.channel }]), one] as const);
            found.value = new Map([...found.peek(), ...known]);
          },
          // The table keeps what the drawing says; a session that can't be read is named above the plots.
          () => undefined,
        );
      }
    }, restMs);
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [key]);
  return found.value;
}

function toStatisticsQuery(channels: string[], range: SessionRange, time: Stretch, speed: Stretch | undefined): URLSearchParams {
  const query = new URLSearchParams({
    channels: channels.join(','),
    from: String(Math.max(0, Math.floor(range.fromUs + time.from * 1e6))),
    to: String(Math.max(0, Math.ceil(range.fromUs + time.to * 1e6))),
  });
  if (speed && range.speed !== undefined) {
    query.set('axis', range.speed);
    query.set('axisFrom', String(speed.from));
    query.set('axisTo', String(speed.to));
  }
  return query;
}
