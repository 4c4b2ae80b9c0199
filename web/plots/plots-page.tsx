// The Plots page: any channels of any sessions over one time axis, with two cursors to measure between.
import './plots-page.css';
import { type Signal, useSignal } from '@preact/signals';
import { useEffect, useMemo } from 'preact/hooks';
import type { SessionDetail } from '../../server/contract/replay.ts';
import type { SessionsView, SessionView } from '../../server/contract/sessions.ts';
import type { PageProps } from '../router.tsx';
import { toAddress } from '../router.tsx';
import { digitsOf, toNumberText, toSignedText, toUnitWord } from '../shell/numbers.ts';
import { ApiError, getJson } from '../stream/api.ts';
import { useFeed } from '../stream/feed.ts';
import { ChannelPicker } from './channel-picker.tsx';
import {
  extremesBetween,
  fetchTraces,
  parseChoices,
  type SessionRange,
  type TraceChoice,
  type TraceData,
  toChoicesText,
  toCsv,
  toRange,
  valueAt,
} from './plot-data.ts';
import { TraceSample } from './rolling-plot.tsx';
import { panned, StillPlot, type StillTrace, type Stretch, zoomed } from './still-plot.tsx';

const tracesMax = 16;
const fetchDelayMs = 60;
const stretchMinS = 0.05;

/** Choices with what is known of them: the trace's place in its plot, its unit, its data. */
interface Drawn extends StillTrace {
  choice: TraceChoice;
  text: string;
  unit: string;
  limit: number | undefined;
}

export function PlotsPage({ query }: PageProps) {
  const text = query.get('traces') ?? '';
  const choices = useMemo(() => parseChoices(text).slice(0, tracesMax), [text]);
  const stretch = useSignal<Stretch>({ fromS: 0, toS: 60 });
  const cursors = useSignal<number[]>([]);
  const data = useSignal<ReadonlyMap<string, TraceData>>(new Map());
  const problem = useSignal('');
  const { ranges, sessions } = useSessions(choices, problem);
  const wholeS = Math.max(1, ...choices.map(({ session }) => lengthOf(ranges.value.get(session))));
  const used = [...new Set(choices.map((choice) => choice.session))];
  const allKnown = used.length > 0 && used.every((session) => ranges.value.has(session));
  // Another session begins with all of it in sight.
  useEffect(() => {
    if (allKnown) stretch.value = { fromS: 0, toS: wholeS };
  }, [used.join(), allKnown, stretch]);
  useTraces(choices, ranges, stretch, data, problem);
  const drawn = toDrawn(choices, ranges.value, data.value);
  const setChoices = (next: TraceChoice[]) => {
    location.hash = `${toAddress('plots')}?traces=${toChoicesText(next)}`;
  };
  const setStretch = (next: Stretch) => {
    if (next.toS - next.fromS >= stretchMinS) stretch.value = next;
  };
  const middle = (stretch.value.fromS + stretch.value.toS) / 2;
  return (
    <div class="page plots-page">
      <div class="plots-head">
        <h1>Plots</h1>
        <button type="button" class="button" onClick={() => setStretch(zoomed(stretch.value, middle, 0.5))}>
          Closer
        </button>
        <button type="button" class="button" onClick={() => setStretch(zoomed(stretch.value, middle, 2))}>
          Wider
        </button>
        <button type="button" class="button" onClick={() => setStretch(panned(stretch.value, -0.25))}>
          ‹ Earlier
        </button>
        <button type="button" class="button" onClick={() => setStretch(panned(stretch.value, 0.25))}>
          Later ›
        </button>
        <button type="button" class="button" onClick={() => setStretch({ fromS: 0, toS: wholeS })}>
          All
        </button>
        <button type="button" class="button" disabled={cursors.value.length === 0} onClick={() => (cursors.value = [])}>
          No cursors
        </button>
        <button type="button" class="button" disabled={drawn.length === 0} onClick={() => savePng()}>
          PNG
        </button>
        <button type="button" class="button" disabled={drawn.length === 0} onClick={() => saveCsv(drawn)}>
          CSV
        </button>
      </div>
      {problem.value && (
        <p class="problem" role="alert">
          {problem}
        </p>
      )}
      <ChannelPicker sessions={sessions.value} ranges={ranges.value} choices={choices} tracesMax={tracesMax} onChange={setChoices} />
      <div class="still-plots">
        {byUnit(drawn).map(([unit, traces]) => (
          <StillPlot
            key={unit}
            title={traces.length === 1 ? (traces[0]?.label ?? '') : `${traces.length} traces`}
            unit={unit}
            traces={traces}
            limits={limitsOf(traces)}
            stretch={stretch.value}
            cursors={cursors.value}
            onStretch={setStretch}
            onPress={(x) => {
              cursors.value = [...cursors.value, x].slice(-2).sort((a, b) => a - b);
            }}
          />
        ))}
      </div>
      <Measures drawn={drawn} cursors={cursors.value} stretch={stretch.value} />
    </div>
  );
}

function lengthOf(range: SessionRange | undefined): number {
  return range ? (range.toUs - range.fromUs) / 1e6 : 0;
}

/** Ranges of the sessions in use, and the list to choose from. */
function useSessions(choices: TraceChoice[], problem: Signal<string>) {
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
        problem.value = toWords(error);
      },
    );
  }, [sessions, problem]);
  useEffect(() => {
    if (!vehicle) return;
    const toUs = Math.max(1e6, feed.timeUs.peek());
    ranges.value = new Map(ranges.peek()).set('live', toRange({ fromUs: 0, toUs, vehicle }));
  }, [vehicle, feed, ranges]);
  const wanted = [...new Set(choices.map((choice) => choice.session))].filter((session) => session !== 'live');
  useEffect(() => {
    for (const session of wanted) {
      if (ranges.peek().has(session)) continue;
      getJson<SessionDetail>(`/api/sessions/${session}`).then(
        (detail) => {
          ranges.value = new Map(ranges.peek()).set(session, toRange(detail));
        },
        (error: unknown) => {
          problem.value = toWords(error);
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
  stretch: Signal<Stretch>,
  data: Signal<ReadonlyMap<string, TraceData>>,
  problem: Signal<string>,
): void {
  const { fromS, toS } = stretch.value;
  const known = ranges.value;
  useEffect(() => {
    let left = false;
    const timer = setTimeout(() => {
      fetchTraces(choices, known, fromS, toS, Math.min(2000, innerWidth)).then(
        (found) => {
          if (left) return;
          data.value = found;
          problem.value = '';
        },
        (error: unknown) => {
          if (!left) problem.value = toWords(error);
        },
      );
    }, fetchDelayMs);
    return () => {
      left = true;
      clearTimeout(timer);
    };
  }, [choices, known, fromS, toS, data, problem]);
}

function toWords(error: unknown): string {
  return error instanceof ApiError ? `${error.message}. ${error.cure}` : String(error);
}

function toDrawn(
  choices: TraceChoice[],
  ranges: ReadonlyMap<number | 'live', SessionRange>,
  data: ReadonlyMap<string, TraceData>,
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
    return { choice, text, unit, style, label, data: data.get(text), limit: range?.limits.get(choice.channel) };
  });
}

function byUnit(drawn: Drawn[]): [unit: string, traces: Drawn[]][] {
  const groups = new Map<string, Drawn[]>();
  for (const trace of drawn) groups.set(trace.unit, [...(groups.get(trace.unit) ?? []), trace]);
  return [...groups];
}

function limitsOf(traces: Drawn[]): { y: number; label: string }[] {
  const limits = new Set(traces.flatMap((trace) => trace.limit ?? []));
  return [...limits].map((y) => ({ y, label: `limit ${toNumberText(y, 0)}` }));
}

/** What the traces are at the cursors, and between them (or over all that is in sight). */
function Measures({ drawn, cursors, stretch }: { drawn: Drawn[]; cursors: number[]; stretch: Stretch }) {
  if (drawn.length === 0)
    return <p class="quiet">Choose channels above. A press on a plot sets a cursor, two measure what lies between.</p>;
  const [a, b] = cursors;
  const reachS = stretch.toS - stretch.fromS;
  const [fromS, toS] = a !== undefined && b !== undefined ? [a, b] : [stretch.fromS, stretch.toS];
  return (
    <div class="scroll-x">
      <table class="measures">
        <caption class="small quiet">
          {a !== undefined && b !== undefined ? `Between the cursors, ${toNumberText(b - a, 3)} s apart` : 'Over what is in sight'}; of each
          bin its lowest and highest sample
        </caption>
        <thead>
          <tr>
            <th scope="col">Trace</th>
            <th scope="col" class="number">
              at A
            </th>
            <th scope="col" class="number">
              at B
            </th>
            <th scope="col" class="number">
              B − A
            </th>
            <th scope="col" class="number">
              Lowest
            </th>
            <th scope="col" class="number">
              Highest
            </th>
          </tr>
        </thead>
        <tbody>
          {drawn.map((trace) => {
            const digits = digitsOf(trace.unit) + 1;
            const say = (value: number | undefined) => (value === undefined ? '–' : toNumberText(value, digits));
            const atA = trace.data && a !== undefined ? valueAt(trace.data, a, reachS) : undefined;
            const atB = trace.data && b !== undefined ? valueAt(trace.data, b, reachS) : undefined;
            const between = trace.data && extremesBetween(trace.data, fromS, toS);
            return (
              <tr key={trace.text}>
                <th scope="row">
                  <TraceSample style={trace.style} /> {trace.label} <span class="quiet">{toUnitWord(trace.unit)}</span>
                </th>
                <td class="number">{say(atA)}</td>
                <td class="number">{say(atB)}</td>
                <td class="number">{atA !== undefined && atB !== undefined ? toSignedText(atB - atA, digits) : '–'}</td>
                <td class="number">{say(between?.low)}</td>
                <td class="number">{say(between?.high)}</td>
              </tr>
            );
          })}
        </tbody>
      </table>
    </div>
  );
}

/** All plots of the page below each other in one picture. */
function savePng(): void {
  const canvases = [...document.querySelectorAll<HTMLCanvasElement>('.still-plot canvas')];
  const picture = document.createElement('canvas');
  picture.width = Math.max(...canvases.map((canvas) => canvas.width));
  picture.height = canvases.reduce((sum, canvas) => sum + canvas.height, 0);
  const ctx = picture.getContext('2d');
  if (!ctx) return;
  ctx.fillStyle = '#121212';
  ctx.fillRect(0, 0, picture.width, picture.height);
  let y = 0;
  for (const canvas of canvases) {
    ctx.drawImage(canvas, 0, y);
    y += canvas.height;
  }
  picture.toBlob((blob) => blob && save(blob, 'plots.png'));
}

function saveCsv(drawn: Drawn[]): void {
  const traces = drawn.flatMap(({ label, unit, data }) => (data ? [{ name: unit === '' ? label : `${label} [${unit}]`, data }] : []));
  save(new Blob([toCsv(traces)], { type: 'text/csv' }), 'plots.csv');
}

function save(blob: Blob, name: string): void {
  const link = document.createElement('a');
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}
