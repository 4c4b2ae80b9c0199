// The traces of the Plots page: which channels of which sessions, in the address, and their windows from the server.
import type { SessionDetail } from '../../server/contract/replay.ts';
import type { WindowView } from '../../server/contract/window.ts';
import { getJson } from '../stream/api.ts';
import type { Point } from './chart.ts';

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
  limits: ReadonlyMap<string, number>;
}

export function toRange({ fromUs, toUs, vehicle }: Pick<SessionDetail, 'fromUs' | 'toUs' | 'vehicle'>): SessionRange {
  return {
    fromUs,
    toUs,
    units: new Map(vehicle.channels.map((channel) => [channel.name, channel.unit])),
    limits: new Map(vehicle.channels.flatMap((channel) => (channel.limit === undefined ? [] : [[channel.name, channel.limit]]))),
  };
}

/** One trace as it is drawn: x in seconds from its session's start. */
export interface TraceData {
  points: Point[];
  /** Width of a bin, seconds. */
  widthS: number;
  low: number;
  high: number;
}

const codeHeld = 5;
const codeLastWithNumber = 1;

/** Points of a fetched trace: lowest and highest of each bin, NaN where the line is broken. `zeroUs` is the session's start. */
export function toTraceData(window: WindowView, trace: WindowView['traces'][number], zeroUs: number): TraceData {
  const points: Point[] = [];
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let i = 0; i < window.count; i++) {
    const x = ((window.first + i + 0.5) * window.widthUs - zeroUs) / 1e6;
    const code = trace.quality[i] ?? codeHeld;
    const [lowest, highest] = [trace.low[i], trace.high[i]];
    if (code === codeHeld) continue;
    if (code > codeLastWithNumber || typeof lowest !== 'number' || typeof highest !== 'number') {
      if (points.length > 0 && !Number.isNaN(points.at(-1)?.y)) points.push({ x, y: Number.NaN });
      continue;
    }
    points.push({ x, y: lowest });
    if (highest !== lowest) points.push({ x, y: highest });
    low = Math.min(low, lowest);
    high = Math.max(high, highest);
  }
  return { points, widthS: window.widthUs / 1e6, low, high };
}

/**
 * Fetches the windows of all choices over one stretch, a request a session.
 * @param fromS Seconds from each session's start.
 * @returns By the choice's text; a session that can't be read is left out.
 * @throws ApiError
 */
export async function fetchTraces(
  choices: readonly TraceChoice[],
  ranges: ReadonlyMap<number | 'live', SessionRange>,
  fromS: number,
  toS: number,
  pixels: number,
): Promise<Map<string, TraceData>> {
  const found = new Map<string, TraceData>();
  for (const session of new Set(choices.map((choice) => choice.session))) {
    const range = ranges.get(session);
    if (!range) continue;
    const channels = choices
      .filter((choice) => choice.session === session && range.units.has(choice.channel))
      .map(({ channel }) => channel);
    if (channels.length === 0) continue;
    const query = new URLSearchParams({
      channels: channels.join(','),
      from: String(Math.max(0, Math.floor(range.fromUs + fromS * 1e6))),
      to: String(Math.ceil(range.fromUs + toS * 1e6)),
      pixels: String(pixels),
    });
    const path = session === 'live' ? '/api/window' : `/api/sessions/${session}/window`;
    const window = await getJson<WindowView>(`${path}?${query}`);
    for (const trace of window.traces)
      found.set(toChoicesText([{ session, channel: trace.channel }]), toTraceData(window, trace, range.fromUs));
  }
  return found;
}

/** Value at x: of the bin that holds it, or the newest before it over at most `reachS`; undefined in a gap. */
export function valueAt({ points, widthS }: TraceData, x: number, reachS: number): number | undefined {
  let found: Point | undefined;
  for (const point of points) {
    if (point.x > x + widthS / 2) break;
    found = point;
  }
  return found && !Number.isNaN(found.y) && x - found.x <= reachS ? found.y : undefined;
}

/** Lowest and highest value of the bins between two places; undefined when there is none. */
export function extremesBetween({ points }: TraceData, fromS: number, toS: number): { low: number; high: number } | undefined {
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const { x, y } of points) {
    if (x < fromS || x > toS || Number.isNaN(y)) continue;
    low = Math.min(low, y);
    high = Math.max(high, y);
  }
  return low <= high ? { low, high } : undefined;
}

/** The stretch as it is shown, as CSV: a row a bin edge, a column a trace's low and high. */
export function toCsv(traces: readonly { name: string; data: TraceData }[]): string {
  const rows = new Map<number, Map<string, [low: number, high: number]>>();
  for (const { name, data } of traces) {
    for (const { x, y } of data.points) {
      if (Number.isNaN(y)) continue;
      const row = rows.get(x) ?? new Map<string, [number, number]>();
      const before = row.get(name);
      row.set(name, before ? [Math.min(before[0], y), Math.max(before[1], y)] : [y, y]);
      rows.set(x, row);
    }
  }
  const head = ['seconds', ...traces.flatMap(({ name }) => [`${name} low`, `${name} high`])];
  const body = [...rows]
    .sort(([a], [b]) => a - b)
    .map(([x, row]) => [x.toFixed(6), ...traces.flatMap(({ name }) => (row.get(name) ?? ['', '']).map(String))].join(','));
  return `${[head.join(','), ...body].join('\n')}\n`;
}
