// A plot of the last minute or so that rolls on: bins from the feed, drawn staggered, with a table and a spoken summary beside it.
import './plots.css';
import { useSignal } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { looksKey } from '../shell/looks.ts';
import { digitsOf, toNumberText, toUnitWord } from '../shell/numbers.ts';
import { type Shown, shownUnit } from '../shell/units.ts';
import { type Feed, useFeed } from '../stream/feed.ts';
import { type LimitLine, Plot, type Point, traceColour, traceDash } from './chart.ts';
import { drawEachRound } from './draw-loop.ts';
import { toYRange, type YRange } from './y-range.ts';

export interface RollingTrace {
  channel: string;
  /** Short, for the end of the line. */
  label: string;
}

export interface RollingPlotProps {
  title: string;
  unit: string;
  traces: RollingTrace[];
  spanS: number;
  limits?: LimitLine[];
}

/** Lowest, highest and newest value of a trace in the stretch shown; undefined where it has none. */
interface Extent {
  low: number;
  high: number;
  now: number | undefined;
}

const summaryEveryMs = 2000;

export function RollingPlot({ title, unit, traces, spanS, limits = [] }: RollingPlotProps) {
  const feed = useFeed();
  const figure = useRef<HTMLElement>(null);
  const canvas = useRef<HTMLCanvasElement>(null);
  const extents = useSignal<(Extent | undefined)[]>([]);
  const epoch = feed.vehicle.value?.epoch;
  const looks = looksKey.value;
  const key = traces.map((trace) => trace.channel).join();
  const shown = shownUnit(unit);
  // Traces and limits are told apart by key; a new epoch or theme draws anew.
  useEffect(() => {
    if (!canvas.current || !figure.current) return;
    const drawing = new Drawing(feed, canvas.current, traces, limits, spanS, shown);
    Object.assign(figure.current, { drawnPoints: () => drawing.drawnPoints() });
    const summary = setInterval(() => {
      extents.value = drawing.extents();
    }, summaryEveryMs);
    return () => {
      clearInterval(summary);
      drawing.stop();
    };
  }, [feed, key, epoch, looks, spanS, shown]);
  const digits = digitsOf(shown.unit);
  const say = (value: number | undefined) => (value === undefined ? 'none' : toNumberText(value, digits));
  const summary = traces
    .map((trace, i) => `${trace.label}: ${say(extents.value[i]?.low)} to ${say(extents.value[i]?.high)}, now ${say(extents.value[i]?.now)}`)
    .join('; ');
  return (
    <figure class="plot" ref={figure} data-plot={title}>
      <figcaption>
        <span class="title">
          {title} <span class="unit">{toUnitWord(shown.unit)}</span>
        </span>
      </figcaption>
      <div class="canvas">
        <canvas ref={canvas} role="img" aria-label={`${title}, last ${spanS} s, ${toUnitWord(shown.unit)}. ${summary}`} />
      </div>
      <details class="plot-table">
        <summary>Table</summary>
        <table>
          <thead>
            <tr>
              <th scope="col">Trace</th>
              <th scope="col" class="number">
                Lowest
              </th>
              <th scope="col" class="number">
                Highest
              </th>
              <th scope="col" class="number">
                Now
              </th>
            </tr>
          </thead>
          <tbody>
            {traces.map((trace, i) => (
              <tr key={trace.channel}>
                <th scope="row">
                  <TraceSample style={i} /> {trace.label}
                </th>
                <td class="number">{say(extents.value[i]?.low)}</td>
                <td class="number">{say(extents.value[i]?.high)}</td>
                <td class="number">{say(extents.value[i]?.now)}</td>
              </tr>
            ))}
          </tbody>
        </table>
      </details>
    </figure>
  );
}

/** A short piece of the line as it is drawn. */
export function TraceSample({ style }: { style: number }) {
  return (
    <svg viewBox="0 0 28 10" width="28" height="10" class="trace-sample" aria-hidden="true">
      <rect width="28" height="10" rx="2" fill="#121212" />
      <path d="M2 5h24" stroke={traceColour(style)} stroke-width="2.5" stroke-dasharray={traceDash(style).join(' ')} />
    </svg>
  );
}

/** A running plot: asks the feed for bins as wide as its canvas, and draws them each round. */
class Drawing {
  private readonly feed: Feed;
  private readonly plot: Plot;
  private readonly traces: RollingTrace[];
  private readonly limits: LimitLine[];
  /** Points are drawn in the unit that this browser shows. */
  private readonly shown: Shown;
  private readonly spanUs: number;
  private readonly points: Point[][];
  private readonly ranges: ({ low: number; high: number } | undefined)[];
  private readonly resize: ResizeObserver;
  private readonly stopDrawing: () => void;
  private number: number | undefined;
  private pixels = 0;
  private zeroUs = 0;
  private y: YRange | undefined;

  constructor(feed: Feed, canvas: HTMLCanvasElement, traces: RollingTrace[], limits: LimitLine[], spanS: number, shown: Shown) {
    this.feed = feed;
    this.traces = traces;
    this.shown = shown;
    this.limits = limits.map(({ y, label }) => ({ y: this.toY(y), label }));
    this.spanUs = spanS * 1e6;
    this.points = traces.map(() => []);
    this.ranges = traces.map(() => undefined);
    this.plot = new Plot(canvas, { toXTick: (x) => toAgoText(x), toYTick: (y) => toTickText(y) });
    this.plot.setTraces(traces.map((trace, style) => ({ label: trace.label, style })));
    this.plot.setLimits(this.limits);
    this.resize = new ResizeObserver(() => this.ask(canvas.clientWidth));
    this.resize.observe(canvas);
    this.stopDrawing = drawEachRound(() => this.draw());
  }

  stop(): void {
    this.stopDrawing();
    this.resize.disconnect();
    if (this.number !== undefined) this.feed.dropPlot(this.number);
    this.plot.destroy();
  }

  /** What stands on the canvas, with what turns an x (seconds before `zeroUs`) back into session time: for tests. */
  drawnPoints(): { zeroUs: number; widthUs: number; traces: { label: string; points: Point[] }[] } {
    const bins = this.number === undefined ? undefined : this.feed.plots.get(this.number)?.bins;
    return { zeroUs: this.zeroUs, widthUs: bins?.widthUs ?? 0, traces: this.plot.drawnPoints() };
  }

  extents(): (Extent | undefined)[] {
    return this.ranges.map((range, i) => {
      const last = this.points[i]?.at(-1)?.y;
      return range ? { ...range, now: Number.isFinite(last) ? last : undefined } : undefined;
    });
  }

  /** Bins of about a pixel: a new width is asked for only when it differs by more than a tenth. */
  private ask(clientWidth: number): void {
    const pixels = Math.min(4096, Math.max(50, Math.round(clientWidth)));
    if (Math.abs(pixels - this.pixels) < this.pixels * 0.1) return;
    this.pixels = pixels;
    if (this.number !== undefined) this.feed.dropPlot(this.number);
    const channels = this.traces.map((trace) => trace.channel).filter((name) => this.feed.findChannel(name) !== undefined);
    this.number = this.feed.addPlot(channels, this.spanUs, pixels);
  }

  private draw(): void {
    const bins = this.number === undefined ? undefined : this.feed.plots.get(this.number)?.bins;
    if (!bins) return;
    const nowUs = this.feed.timeUs.peek();
    this.zeroUs = nowUs;
    const from = Math.floor((nowUs - this.spanUs) / bins.widthUs);
    const to = Math.floor(nowUs / bins.widthUs) + 1;
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    this.traces.forEach((trace, i) => {
      const index = this.feed.indexOf(trace.channel);
      const k = index === undefined ? -1 : bins.channels.indexOf(index);
      const range =
        k < 0 ? undefined : this.toShown(bins.toPoints(k, from, to, nowUs, this.points[i] as Point[]), this.points[i] as Point[]);
      this.ranges[i] = range;
      low = Math.min(low, range?.low ?? low);
      high = Math.max(high, range?.high ?? high);
    });
    if (low <= high) this.y = toYRange(this.y, low, this.withNearLimits(low, high));
    this.plot.draw(this.points, { from: -this.spanUs / 1e6, to: 0 }, this.y ?? { from: 0, to: 1, step: 0.5 });
  }

  private toY(value: number): number {
    return value * this.shown.factor + this.shown.offset;
  }

  private toShown(range: { low: number; high: number } | undefined, points: Point[]): { low: number; high: number } | undefined {
    if (this.shown.factor === 1 && this.shown.offset === 0) return range;
    for (const point of points) point.y = this.toY(point.y);
    return range && { low: this.toY(range.low), high: this.toY(range.high) };
  }

  /** A limit that the data has come near to is drawn; a far one would only flatten the traces. */
  private withNearLimits(low: number, high: number): number {
    const reach = high + Math.max(high - low, Math.abs(high) * 0.15);
    return this.limits.reduce((top, limit) => (limit.y <= reach ? Math.max(top, limit.y) : top), high);
  }
}

function toAgoText(x: number): string {
  return Math.abs(x) < 1e-9 ? 'now' : `${toNumberText(x, 0)} s`;
}

function toTickText(y: number): string {
  return toNumberText(y, Number.isInteger(y) ? 0 : Math.abs(y) < 10 ? 2 : 1);
}
