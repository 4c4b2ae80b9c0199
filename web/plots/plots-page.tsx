// The Plots page: any channels of any sessions over one axis, of time or of engine speed, with two cursors to measure between.
import './plots-page.css';
import { type Signal, useSignal } from '@preact/signals';
import { useEffect, useLayoutEffect, useMemo } from 'preact/hooks';
import type { SessionDetail } from '../../server/contract/replay.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import type { PageProps } from '../router.tsx';
import { toAddress } from '../router.tsx';
import { toClockText, toNumberText } from '../shell/numbers.ts';
import { Problem } from '../shell/work.tsx';
import { getJson, toProblem } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { ChannelPicker } from './channel-picker.tsx';
import { type Drawn, Measures } from './measures.tsx';
import {
  type Fetched,
  fetchTraces,
  parseChoices,
  type SessionRange,
  type TraceChoice,
  type TraceData,
  toChoicesText,
  toDataOver,
  toRange,
} from './plot-data.ts';
import { saveCsv, savePng } from './save-plots.ts';
import { StillPlot, speedAxis, timeAxis } from './still-plot.tsx';
import { panned, type Stretch, zoomed } from './stretch.ts';

const tracesMax = 16;
const fetchDelayMs = 60;
const stretchMin = { time: 0.05, speed: 20 } as const;
const nothing: Fetched = { traces: new Map(), speeds: new Map() };

export function PlotsPage({ query }: PageProps) {
  const text = query.get('traces') ?? '';
  const bySpeed = query.get('axis') === 'speed';
  const choices = useMemo(() => parseChoices(text).slice(0, tracesMax), [text]);
  const time = useSignal<Stretch>({ from: 0, to: 60 });
  /** Undefined: all speeds of the time in sight. */
  const speed = useSignal<Stretch | undefined>(undefined);
  const cursors = useSignal<number[]>([]);
  const fetched = useSignal<Fetched>(nothing);
  const problem = useSignal('');
  const looked = useSignal<number | 'live'>('live');
  const { ranges, sessions } = useSessions(choices, looked, problem);
  const wholeS = Math.max(1, ...choices.map(({ session }) => lengthOf(ranges.value.get(session))));
  const used = [...new Set(choices.map((choice) => choice.session))];
  const allKnown = used.length > 0 && used.every((session) => ranges.value.has(session));
  // Another session begins with all of it in sight.
  useEffect(() => {
    if (allKnown) time.value = { from: 0, to: wholeS };
  }, [used.join(), allKnown, time]);
  // A cursor means nothing on the other axis: taken away before anybody can press there.
  useLayoutEffect(() => {
    cursors.value = [];
    speed.value = undefined;
  }, [bySpeed, cursors, speed]);
  useTraces(choices, ranges, time, bySpeed, fetched, problem);
  const drawn = useMemo(() => toDrawn(choices, ranges.value, fetched.value, bySpeed), [choices, ranges.value, fetched.value, bySpeed]);
  const whole: Stretch = bySpeed ? toSpeeds(fetched.value) : { from: 0, to: wholeS };
  const stretch = bySpeed ? (speed.value ?? whole) : time.value;
  const go = (next: TraceChoice[], axis: boolean) => {
    location.hash = `${toAddress('plots')}?traces=${toChoicesText(next)}${axis ? '&axis=speed' : ''}`;
  };
  const setStretch = (next: Stretch) => {
    if (next.to - next.from < (bySpeed ? stretchMin.speed : stretchMin.time)) return;
    if (bySpeed) speed.value = next;
    else time.value = next;
  };
  const plots = useMemo(() => byUnit(drawn).map(([unit, traces]) => ({ unit, traces, limits: limitsOf(traces) })), [drawn]);
  return (
    <div class="page plots-page">
      <div class="plots-head">
        <h1>Plots</h1>
        <AxisChoice bySpeed={bySpeed} onChange={(axis) => go(choices, axis)} />
        <StretchButtons stretch={stretch} whole={whole} onStretch={setStretch} />
        <button type="button" class="button" disabled={cursors.value.length === 0} onClick={() => (cursors.value = [])}>
          No cursors
        </button>
        <button
          type="button"
          class="button"
          disabled={drawn.length === 0}
          onClick={() => savePng(toFoot(used, sessions.value, time.value, bySpeed))}
        >
          PNG
        </button>
        <button
          type="button"
          class="button"
          disabled={drawn.length === 0}
          onClick={() => saveCsv(drawn, bySpeed ? toSpeedTraces(fetched.value, ranges.value) : [])}
        >
          CSV
        </button>
      </div>
      <Problem text={problem.value} />
      <ChannelPicker
        sessions={sessions.value}
        ranges={ranges.value}
        choices={choices}
        tracesMax={tracesMax}
        onChange={(next) => go(next, bySpeed)}
        onLook={(session) => {
          looked.value = session;
        }}
      />
      {bySpeed && drawn.length > 0 && <SpeedWords choices={choices} ranges={ranges.value} time={time.value} fetched={fetched.value} />}
      <div class="still-plots">
        {plots.map(({ unit, traces, limits }) => (
          <StillPlot
            key={unit}
            title={traces.length === 1 ? (traces[0]?.label ?? '') : `${traces.length} traces`}
            unit={unit}
            traces={traces}
            limits={limits}
            axis={bySpeed ? speedAxis : timeAxis}
            stretch={stretch}
            cursors={cursors.value}
            onStretch={setStretch}
            onPress={(x) => {
              cursors.value = [...cursors.value, x].slice(-2).sort((a, b) => a - b);
            }}
            onNudge={(by) => {
              const moved = cursors.value.map((x, i) => (i === cursors.value.length - 1 ? x + by : x));
              cursors.value = moved.sort((a, b) => a - b);
            }}
          />
        ))}
      </div>
      <Measures drawn={drawn} ranges={ranges.value} cursors={cursors.value} time={time.value} speed={bySpeed ? stretch : undefined} />
    </div>
  );
}

function AxisChoice({ bySpeed, onChange }: { bySpeed: boolean; onChange(bySpeed: boolean): void }) {
  return (
    <label class="axis-choice">
      <span>Over</span>
      <select value={bySpeed ? 'speed' : 'time'} onChange={(event) => onChange(event.currentTarget.value === 'speed')}>
        <option value="time">time</option>
        <option value="speed">engine speed</option>
      </select>
    </label>
  );
}

interface StretchButtonsProps {
  stretch: Stretch;
  whole: Stretch;
  onStretch(stretch: Stretch): void;
}

function StretchButtons({ stretch, whole, onStretch }: StretchButtonsProps) {
  const middle = (stretch.from + stretch.to) / 2;
  const buttons: [words: string, to: Stretch][] = [
    ['Closer', zoomed(stretch, middle, 0.5)],
    ['Wider', zoomed(stretch, middle, 2)],
    ['‹ Before', panned(stretch, -0.25)],
    ['After ›', panned(stretch, 0.25)],
    ['All', whole],
  ];
  return buttons.map(([words, to]) => (
    <button key={words} type="button" class="button" onClick={() => onStretch(to)}>
      {words}
    </button>
  ));
}

interface SpeedWordsProps {
  choices: TraceChoice[];
  ranges: ReadonlyMap<number | 'live', SessionRange>;
  time: Stretch;
  fetched: Fetched;
}

/** What the axis is made of, and for which sessions it can't be. */
function SpeedWords({ choices, ranges, time, fetched }: SpeedWordsProps) {
  const without = [...new Set(choices.map(({ session }) => session))].filter(
    (session) => ranges.get(session) && !ranges.get(session)?.speed,
  );
  const widthS = Math.max(0, ...[...fetched.speeds.values()].map((data) => data.widthS));
  return (
    <p class="small quiet" role="status">
      From {toClockText(time.from)} to {toClockText(time.to)} of each session, as chosen over time; each point is{' '}
      {toNumberText(widthS * 1000, 0)} ms wide.
      {without.length > 0 && ` Of session ${without.join(', ')} the vehicle file names no engine speed: engine: { speed: CHANNEL }.`}
    </p>
  );
}

/** From the lowest to the highest engine speed in sight. */
function toSpeeds({ speeds }: Fetched): Stretch {
  const known = [...speeds.values()].filter(({ low, high }) => low <= high);
  if (known.length === 0) return { from: 0, to: 1000 };
  const step = 100;
  const from = Math.floor(Math.min(...known.map(({ low }) => low)) / step) * step;
  return { from, to: Math.max(from + step, Math.ceil(Math.max(...known.map(({ high }) => high)) / step) * step) };
}

function toSpeedTraces({ speeds }: Fetched, ranges: ReadonlyMap<number | 'live', SessionRange>) {
  return [...speeds].map(([session, data]) => {
    const name = ranges.get(session)?.speed ?? '';
    return { label: speeds.size > 1 ? `${session} ${name}` : name, unit: ranges.get(session)?.units.get(name) ?? '', data };
  });
}

/** What stands at the foot of the picture. */
function toFoot(used: (number | 'live')[], sessions: SessionView[], time: Stretch, bySpeed: boolean): string {
  const names = used.map((session) => {
    const about = sessions.find((one) => one.session === session);
    return about ? `${session}: ${about.name || new Date(about.startedWallMs).toLocaleString()}` : String(session);
  });
  return `${names.join(', ')}. ${bySpeed ? 'Over engine speed, rpm, of' : 'Minutes and seconds from'} ${toClockText(time.from)} to ${toClockText(time.to)}.`;
}

function lengthOf(range: SessionRange | undefined): number {
  return range ? (range.toUs - range.fromUs) / 1e6 : 0;
}

/** Ranges of the sessions in use, and the list to choose from. */
function useSessions(choices: TraceChoice[], looked: Signal<number | 'live'>, problem: Signal<string>) {
  const feed = useFeed();
  const ranges = useSignal<ReadonlyMap<number | 'live', SessionRange>>(new Map());
  const sessions = useSignal<SessionView[]>([]);
  const vehicle = feed.vehicle.value;
  useEffect(() => {
    getJson<SessionsView>('/api/sessions').then(
      (view) => {
        sessions.value = view.sessions;
      },
      (error: unknown) => {
        problem.value = toProblem(error);
      },
    );
  }, [sessions, problem]);
  useEffect(() => {
    if (!vehicle) return;
    const toUs = Math.max(1e6, feed.timeUs.peek());
    ranges.value = new Map(ranges.peek()).set('live', toRange({ fromUs: 0, toUs, vehicle }));
  }, [vehicle, feed, ranges]);
  const wanted = [...new Set([...choices.map((choice) => choice.session), looked.value])].filter((session) => session !== 'live');
  useEffect(() => {
    for (const session of wanted) {
      if (ranges.peek().has(session)) continue;
      getJson<SessionDetail>(`/api/sessions/${session}`).then(
        (detail) => {
          ranges.value = new Map(ranges.peek()).set(session, toRange(detail));
        },
        (error: unknown) => {
          problem.value = toProblem(error);
        },
      );
    }
  }, [wanted.join(), ranges, problem]);
  return { ranges, sessions };
}

/** Fetches what is in sight, a moment after the last change. */
function useTraces(
  choices: TraceChoice[],
  ranges: Signal<ReadonlyMap<number | 'live', SessionRange>>,
  time: Signal<Stretch>,
  bySpeed: boolean,
  fetched: Signal<Fetched>,
  problem: Signal<string>,
): void {
  const { from, to } = time.value;
  const known = ranges.value;
  useEffect(() => {
    let left = false;
    const timer = setTimeout(() => {
      fetchTraces(choices, known, from, to, Math.min(2000, innerWidth), bySpeed).then(
        (found) => {
          if (left) return;
          fetched.value = found;
          problem.value = '';
        },
        (error: unknown) => {
          if (!left) problem.value = toProblem(error);
        },
      );
    }, fetchDelayMs);
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [choices, known, from, to, bySpeed, fetched, problem]);
}

function toDrawn(
  choices: TraceChoice[],
  ranges: ReadonlyMap<number | 'live', SessionRange>,
  { traces, speeds }: Fetched,
  bySpeed: boolean,
): Drawn[] {
  const several = new Set(choices.map((choice) => choice.session)).size > 1;
  const styles = new Map<string, number>();
  return choices.map((choice) => {
    const range = ranges.get(choice.session);
    const unit = range?.units.get(choice.channel) ?? '';
    const style = styles.get(unit) ?? 0;
    styles.set(unit, style + 1);
    const text = toChoicesText([choice]);
    const label = several ? `${choice.session} ${choice.channel}` : choice.channel;
    const data = traces.get(text);
    const speed = speeds.get(choice.session);
    return { choice, text, unit, style, label, data: bySpeed ? over(data, speed) : data, limits: range?.limits.get(choice.channel) ?? [] };
  });
}

function over(data: TraceData | undefined, speed: TraceData | undefined): TraceData | undefined {
  return data && speed ? toDataOver(data, speed) : undefined;
}

function byUnit(drawn: Drawn[]): [unit: string, traces: Drawn[]][] {
  const groups = new Map<string, Drawn[]>();
  for (const trace of drawn) groups.set(trace.unit, [...(groups.get(trace.unit) ?? []), trace]);
  return [...groups];
}

/** Lines that several traces share are drawn once. */
function limitsOf(traces: Drawn[]): { y: number; label: string }[] {
  return [...new Map(traces.flatMap(({ limits }) => limits.map((limit) => [`${limit.label} ${limit.y}`, limit] as const))).values()];
}
