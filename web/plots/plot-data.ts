// The traces of the Plots page: which channels of which sessions, in the address, and their windows from the server.
import type { SessionDetail } from '../../server/contract/replay.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { getJson } from '../stream/api.ts';
import type { BadRun, Point } from './chart.ts';

/** A channel of a recorded session, or of the live one. */
export interface TraceChoice {
  session: number | 'live';
  channel: string;
}

/** `12:engine_speed,live:throttle`: how choices stand in the page's address. What can't be read is left out. */
export function parseChoices(text: string): TraceChoice[] {
  return text
    .split(',')
    .map((part) => /^(live|\d+):(\w+)$/.exec(part))
    .filter((match) => match !== null)
    .map(([, session = '', channel = '']) => ({ session: session === 'live' ? 'live' : Number(session), channel }));
}

export function toChoicesText(choices: readonly TraceChoice[]): string {
  return choices.map(({ session, channel }) => `${session}:${channel}`).join(',');
}

/** Where a session begins and ends, session time, and what its channels are measured in. */
export interface SessionRange {
  fromUs: number;
  toUs: number;
  units: ReadonlyMap<string, string>;
  /** Lines to draw for a channel, in its unit: its limit, and the range outside which it is not ok. */
  limits: ReadonlyMap<string, { y: number; label: string }[]>;
  /** Channel of engine speed; undefined: the vehicle names none. */
  speed: string | undefined;
}

export function toRange({ fromUs, toUs, vehicle }: Pick<SessionDetail, 'fromUs' | 'toUs' | 'vehicle'>): SessionRange {
  return {
    fromUs,
    toUs,
    units: new Map(vehicle.channels.map((channel) => [channel.name, channel.unit])),
    limits: new Map(
      vehicle.channels.map(({ name, limit, min, max }) => {
        const lines = [
          { y: limit, label: 'limit' },
          { y: min, label: 'range from' },
          { y: max, label: 'range to' },
        ];
        return [name, lines.flatMap(({ y, label }) => (y === undefined ? [] : [{ y, label }]))];
      }),
    ),
    speed: vehicle.engine?.roles.speed,
  };
}

/** A trace as the server gave it: bin i begins at `fromS + i × widthS`, seconds from its session's start. */
export interface TraceBins {
  fromS: number;
  widthS: number;
  /** Null where no sample of the bin had a number. */
  low: readonly (number | null)[];
  high: readonly (number | null)[];
  /** Codes of WindowView. */
  quality: readonly number[];
}

/** One trace as it is drawn: x in seconds from its session's start, or in the unit of another channel. */
export interface TraceData {
  points: Point[];
  /** Width of a bin, seconds. */
  widthS: number;
  low: number;
  high: number;
  badRuns: BadRun[];
  bins: TraceBins;
}

const codeOutOfRange = 1;
const codeHeld = 5;

/** What a bin is worth: it has a number, nothing came and the value before holds, or the line is broken. */
function binKind({ low, high, quality }: TraceBins, i: number): 'number' | 'held' | 'broken' {
  const code = quality[i] ?? codeHeld;
  if (code === codeHeld) return 'held';
  return code > codeOutOfRange || typeof low[i] !== 'number' || typeof high[i] !== 'number' ? 'broken' : 'number';
}

/** Points of a fetched trace: lowest and highest of each bin, NaN where the line is broken. `zeroUs` is the session's start. */
export function toTraceData(window: WindowView, trace: WindowView['traces'][number], zeroUs: number): TraceData {
  const widthS = window.widthUs / 1e6;
  const { low, high, quality } = trace;
  const bins: TraceBins = { fromS: (window.first * window.widthUs - zeroUs) / 1e6, widthS, low, high, quality };
  return { ...toLine(bins, (i) => bins.fromS + (i + 0.5) * widthS), widthS, badRuns: toBadRuns(bins), bins };
}

/**
 * The same trace over another one of the same bins (engine speed): in order of time, x the middle of the other's lowest and highest in the
 * bin; broken where either is.
 */
export function toDataOver(data: TraceData, axis: TraceData): TraceData {
  let held = Number.NaN;
  const middles = axis.bins.quality.map((_, i) => {
    const kind = binKind(axis.bins, i);
    if (kind === 'number') held = ((axis.bins.low[i] as number) + (axis.bins.high[i] as number)) / 2;
    else if (kind === 'broken') held = Number.NaN;
    return held;
  });
  return { ...data, ...toLine(data.bins, (i) => middles[i] ?? Number.NaN), badRuns: [] };
}

function toLine(bins: TraceBins, xOf: (bin: number) => number): Pick<TraceData, 'points' | 'low' | 'high'> {
  const points: Point[] = [];
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let i = 0; i < bins.quality.length; i++) {
    const kind = binKind(bins, i);
    if (kind === 'held') continue;
    const x = xOf(i);
    if (kind === 'broken' || Number.isNaN(x)) {
      const last = points.at(-1);
      if (last && !Number.isNaN(last.y)) points.push({ x: Number.isNaN(x) ? last.x : x, y: Number.NaN });
      continue;
    }
    const [lowest, highest] = [bins.low[i] as number, bins.high[i] as number];
    // From the end that is nearer to where the line comes from: over another axis it would else be a saw.
    const before = points.at(-1)?.y ?? Number.NaN;
    const falls = Math.abs(before - highest) < Math.abs(before - lowest);
    points.push({ x, y: falls ? highest : lowest });
    if (highest !== lowest) points.push({ x, y: falls ? lowest : highest });
    low = Math.min(low, lowest);
    high = Math.max(high, highest);
  }
  return { points, low, high };
}

function toBadRuns({ fromS, widthS, quality }: TraceBins): BadRun[] {
  const runs: BadRun[] = [];
  for (const [i, code] of quality.entries()) {
    // Where nothing is known, before the first sample and behind the session, nothing is bad.
    if (code === 0 || code >= codeHeld) continue;
    const kind = code === codeOutOfRange ? 'out' : 'bad';
    const last = runs.at(-1);
    const from = fromS + i * widthS;
    if (last?.kind === kind && from - last.to < widthS / 2) last.to = from + widthS;
    else runs.push({ from, to: from + widthS, kind });
  }
  return runs;
}

export interface Fetched {
  /** By the choice's text. */
  traces: Map<string, TraceData>;
  /** Engine speed of each session that names it, in the same bins. */
  speeds: Map<number | 'live', TraceData>;
}

/**
 * Fetches the windows of all choices over one stretch, a request a session; with `withSpeed` that of engine speed too.
 * @param fromS Seconds from each session's start.
 * @returns A session that can't be read is left out.
 * @throws ApiError
 */
export async function fetchTraces(
  choices: readonly TraceChoice[],
  ranges: ReadonlyMap<number | 'live', SessionRange>,
  fromS: number,
  toS: number,
  pixels: number,
  withSpeed: boolean,
): Promise<Fetched> {
  const fetched: Fetched = { traces: new Map(), speeds: new Map() };
  for (const session of new Set(choices.map((choice) => choice.session))) {
    const range = ranges.get(session);
    if (!range) continue;
    const speed = withSpeed ? range.speed : undefined;
    const channels = choices
      .filter((choice) => choice.session === session && range.units.has(choice.channel))
      .map(({ channel }) => channel);
    if (channels.length === 0) continue;
    const query = new URLSearchParams({
      channels: [...new Set([...channels, ...(speed === undefined ? [] : [speed])])].join(','),
      from: String(Math.max(0, Math.floor(range.fromUs + fromS * 1e6))),
      to: String(Math.ceil(range.fromUs + toS * 1e6)),
      pixels: String(pixels),
    });
    const path = session === 'live' ? '/api/window' : `/api/sessions/${session}/window`;
    const window = await getJson<WindowView>(`${path}?${query}`);
    for (const trace of window.traces) {
      const data = toTraceData(window, trace, range.fromUs);
      if (trace.channel === speed) fetched.speeds.set(session, data);
      if (channels.includes(trace.channel)) fetched.traces.set(toChoicesText([{ session, channel: trace.channel }]), data);
    }
  }
  return fetched;
}

/** Value at x: of the bin that holds it, or the newest before it over at most `reach`; undefined in a gap. For points that ascend in x. */
export function valueAt({ points, widthS }: TraceData, x: number, reach: number): number | undefined {
  let found: Point | undefined;
  for (const point of points) {
    if (point.x > x + widthS / 2) break;
    found = point;
  }
  return found && !Number.isNaN(found.y) && x - found.x <= reach ? found.y : undefined;
}

/** Mean of the points within `reach` of x, where a trace may come by x more than once. */
export function meanNear({ points }: TraceData, x: number, reach: number): number | undefined {
  const near = points.filter((point) => !Number.isNaN(point.y) && Math.abs(point.x - x) <= reach);
  return near.length === 0 ? undefined : near.reduce((sum, { y }) => sum + y, 0) / near.length;
}

/** Lowest and highest value of the points between two places; undefined when there is none. */
export function extremesBetween({ points }: TraceData, from: number, to: number): { low: number; high: number } | undefined {
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const { x, y } of points) {
    if (x < from || x > to || Number.isNaN(y)) continue;
    low = Math.min(low, y);
    high = Math.max(high, y);
  }
  return low <= high ? { low, high } : undefined;
}

const qualityWords = ['ok', 'out-of-range', 'fault', 'missing', 'stale'];

/**
 * What is shown, as CSV: a row a bin, for each trace its lowest and highest and its worst quality in the bin; bins without a sample are
 * empty. Seconds are those of the bins' begin, from each session's start.
 */
export function toCsv(traces: readonly { name: string; bins: TraceBins }[]): string {
  const rows = new Map<string, string[]>();
  for (const [column, { bins }] of traces.entries()) {
    for (const [i, code] of bins.quality.entries()) {
      if (code >= codeHeld) continue;
      const key = (bins.fromS + i * bins.widthS).toFixed(6);
      const row = rows.get(key) ?? [];
      rows.set(key, row);
      row[column * 3] = String(bins.low[i] ?? '');
      row[column * 3 + 1] = String(bins.high[i] ?? '');
      row[column * 3 + 2] = qualityWords[code] ?? '';
    }
  }
  const head = ['seconds', ...traces.flatMap(({ name }) => [`${name} low`, `${name} high`, `${name} quality`])].map(toCell);
  const body = [...rows]
    .sort(([a], [b]) => Number(a) - Number(b))
    .map(([key, row]) => [key, ...Array.from({ length: traces.length * 3 }, (_, i) => row[i] ?? '')].join(','));
  return `${[head.join(','), ...body].join('\n')}\n`;
}

function toCell(text: string): string {
  return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}
