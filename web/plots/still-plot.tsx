// A plot that stands still: dragged, pinched, zoomed and measured by pointer, wheel and keys. Its owner holds the stretch shown and the two cursors.
import './plots.css';
import type { RefObject } from 'preact';
import { useEffect, useLayoutEffect, useMemo, useRef } from 'preact/hooks';
import { looksKey } from '../shell/looks.ts';
import { digitsOf, toNumberText, toUnitWord } from '../shell/numbers.ts';
import { type Shown, shownUnit } from '../shell/units.ts';
import { type LimitLine, Plot } from './chart.ts';
import type { TraceData } from './plot-data.ts';
import { attachGestures } from './still-gestures.ts';
import type { Stretch } from './stretch.ts';
import { toYRange } from './y-range.ts';

/** What the x axis counts. */
export interface XAxis {
  toTick(x: number): string;
  /** Between two ticks, for a span. */
  toStep(span: number): number;
}

export interface StillTrace {
  label: string;
  style: number;
  data: TraceData | undefined;
}

export interface StillPlotProps {
  title: string;
  unit: string;
  traces: StillTrace[];
  limits: LimitLine[];
  axis: XAxis;
  stretch: Stretch;
  cursors: number[];
  onStretch(stretch: Stretch): void;
  /** A press without a drag, at this x. */
  onPress(x: number): void;
  /** The newest cursor goes by so much. */
  onNudge(by: number): void;
}

const stillLabelPx = 130;

/** Data and limits come in the channels' unit, and are drawn in that of this browser. */
export function StillPlot({ unit, traces: declared, limits: lines, ...rest }: StillPlotProps) {
  const { title, stretch, cursors, axis } = rest;
  const shown = shownUnit(unit);
  const traces = useMemo(
    () => declared.map((trace) => ({ ...trace, data: trace.data && toShownData(trace.data, shown) })),
    [declared, shown],
  );
  const limits = useMemo(() => lines.map((line) => toShownLine(line, shown)), [lines, shown]);
  const props = { ...rest, unit: shown.unit, traces, limits };
  const canvas = useRef<HTMLCanvasElement>(null);
  const plot = useRef<Plot | undefined>(undefined);
  const latest = useRef(props);
  latest.current = props;
  const looks = looksKey.value;
  const names = traces.map((trace) => `${trace.style} ${trace.label}`).join();
  // The plot is made anew when its traces, its axis or the colours change, at once: a press must never meet the axis that was. What it shows
  // is drawn below.
  useLayoutEffect(() => {
    if (!canvas.current) return;
    const made = new Plot(canvas.current, {
      toXTick: axis.toTick,
      toYTick: (y) => toNumberText(y, Number.isInteger(y) ? 0 : 2),
      labelPx: stillLabelPx,
    });
    made.setTraces(latest.current.traces.map(({ label, style }) => ({ label, style })));
    plot.current = made;
    draw(made, latest.current);
    return () => {
      plot.current = undefined;
      made.destroy();
    };
  }, [names, looks, axis]);
  useLayoutEffect(() => {
    if (plot.current) draw(plot.current, latest.current);
  }, [traces, limits, stretch, cursors]);
  useEffect(() => {
    const node = canvas.current;
    return node ? attachGestures(node, plot as RefObject<Plot | undefined>, () => latest.current) : undefined;
  }, []);
  return (
    <figure class="plot still-plot" data-plot={title}>
      <figcaption>
        <span class="title">
          {title} <span class="unit">{toUnitWord(shown.unit)}</span>
        </span>
      </figcaption>
      <div class="canvas">
        <canvas
          ref={canvas}
          role="img"
          tabIndex={0}
          aria-label={`${title}, ${toUnitWord(shown.unit)}, ${axis.toTick(stretch.from)} to ${axis.toTick(stretch.to)}. ${traces.map(toSpoken).join('; ')}`}
        />
      </div>
    </figure>
  );
}

function toShownData(data: TraceData, { factor, offset }: Shown): TraceData {
  if (factor === 1 && offset === 0) return data;
  const points = data.points.map(({ x, y }) => ({ x, y: y * factor + offset }));
  return { ...data, points, low: data.low * factor + offset, high: data.high * factor + offset };
}

/** With its number, in the unit that is drawn. */
function toShownLine({ y, label }: LimitLine, { unit, factor, offset }: Shown): LimitLine {
  const at = y * factor + offset;
  return { y: at, label: `${label} ${toNumberText(at, Number.isInteger(at) ? 0 : Math.max(1, digitsOf(unit)))}` };
}

/** `exhaust temp 1: 20.0 to 600.4, out of range in places`. */
function toSpoken({ label, data }: StillTrace): string {
  const range = data && data.low <= data.high ? `${toNumberText(data.low, 1)} to ${toNumberText(data.high, 1)}` : 'none';
  const kinds = new Set(data?.badRuns.map(({ kind }) => kind));
  const bad = [kinds.has('out') && 'out of range in places', kinds.has('bad') && 'without a number in places'];
  return [`${label}: ${range}`, ...bad.filter(Boolean)].join(', ');
}

function draw(plot: Plot, { traces, limits, stretch, cursors, axis }: StillPlotProps): void {
  const low = Math.min(...traces.map((trace) => trace.data?.low ?? Number.POSITIVE_INFINITY));
  const high = Math.max(...traces.map((trace) => trace.data?.high ?? Number.NEGATIVE_INFINITY));
  plot.setLimits(limits);
  plot.setCursors(cursors);
  plot.setBadRuns(traces.map((trace) => trace.data?.badRuns ?? []));
  const y = low <= high ? toYRange(undefined, low, high) : { from: 0, to: 1, step: 0.5 };
  plot.draw(
    traces.map((trace) => trace.data?.points ?? []),
    { from: stretch.from, to: stretch.to, step: axis.toStep(stretch.to - stretch.from) },
    y,
  );
}

export const timeAxis: XAxis = { toTick: toSecondsTick, toStep: toTimeStep };

export const speedAxis: XAxis = {
  toTick: (x) => toNumberText(x, 0),
  toStep: (span) => [10, 20, 50, 100, 200, 500, 1000, 2000].find((step) => span / step <= 6) ?? 5000,
};

/** About six ticks, at times that a clock has. */
export function toTimeStep(spanS: number): number {
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800];
  return steps.find((step) => spanS / step <= 7) ?? 3600;
}

function toSecondsTick(x: number): string {
  const minutes = Math.floor(Math.abs(x) / 60);
  const seconds = Math.abs(x) - 60 * minutes;
  const text = Number.isInteger(seconds) ? String(seconds).padStart(2, '0') : seconds.toFixed(2).padStart(5, '0');
  return `${x < 0 ? '−' : ''}${minutes}:${text}`;
}
