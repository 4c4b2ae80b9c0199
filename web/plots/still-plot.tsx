// A plot that stands still: dragged, zoomed and measured by pointer, wheel and keys. Its owner holds the stretch shown and the two cursors.
import './plots.css';
import type { RefObject } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import { looksKey } from '../shell/looks.ts';
import { toNumberText, toUnitWord } from '../shell/numbers.ts';
import { type LimitLine, Plot } from './chart.ts';
import type { TraceData } from './plot-data.ts';
import { toYRange } from './y-range.ts';

/** Seconds from the sessions' starts. */
export interface Stretch {
  fromS: number;
  toS: number;
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
  stretch: Stretch;
  cursors: number[];
  onStretch(stretch: Stretch): void;
  /** A press without a drag, at this x. */
  onPress(x: number): void;
}

const dragFromPx = 6;
const zoomStep = 1.25;
const stillLabelPx = 130;

export function StillPlot(props: StillPlotProps) {
  const { title, unit, traces, limits, stretch, cursors } = props;
  const canvas = useRef<HTMLCanvasElement>(null);
  const plot = useRef<Plot | undefined>(undefined);
  const latest = useRef(props);
  latest.current = props;
  const looks = looksKey.value;
  const names = traces.map((trace) => `${trace.style} ${trace.label}`).join();
  // The plot is made anew when its traces or the colours change; what it shows is drawn below.
  useEffect(() => {
    if (!canvas.current) return;
    const made = new Plot(canvas.current, {
      toXTick: toSecondsTick,
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
  }, [names, looks]);
  useEffect(() => {
    if (plot.current) draw(plot.current, latest.current);
  }, [traces, limits, stretch, cursors]);
  useGestures(canvas, plot, latest);
  const said = traces.map(
    ({ label, data }) =>
      `${label}: ${data && data.low <= data.high ? `${toNumberText(data.low, 1)} to ${toNumberText(data.high, 1)}` : 'none'}`,
  );
  return (
    <figure class="plot still-plot" data-plot={title}>
      <figcaption>
        <span class="title">
          {title} <span class="unit">{toUnitWord(unit)}</span>
        </span>
      </figcaption>
      <div class="canvas">
        <canvas
          ref={canvas}
          role="img"
          tabIndex={0}
          aria-label={`${title}, ${toUnitWord(unit)}, ${toSecondsTick(stretch.fromS)} to ${toSecondsTick(stretch.toS)}. ${said.join('; ')}`}
        />
      </div>
    </figure>
  );
}

function draw(plot: Plot, { traces, limits, stretch, cursors }: StillPlotProps): void {
  const low = Math.min(...traces.map((trace) => trace.data?.low ?? Number.POSITIVE_INFINITY));
  const high = Math.max(...traces.map((trace) => trace.data?.high ?? Number.NEGATIVE_INFINITY));
  plot.setLimits(limits);
  plot.setCursors(cursors);
  const y = low <= high ? toYRange(undefined, low, high) : { from: 0, to: 1, step: 0.5 };
  plot.draw(
    traces.map((trace) => trace.data?.points ?? []),
    { from: stretch.fromS, to: stretch.toS, step: toTimeStep(stretch.toS - stretch.fromS) },
    y,
  );
}

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

/** Keeps `at` in its place while the stretch becomes `factor` times as long. */
export function zoomed({ fromS, toS }: Stretch, at: number, factor: number): Stretch {
  return { fromS: at - (at - fromS) * factor, toS: at + (toS - at) * factor };
}

export function panned({ fromS, toS }: Stretch, share: number): Stretch {
  const by = (toS - fromS) * share;
  return { fromS: fromS + by, toS: toS + by };
}

function useGestures(
  canvas: RefObject<HTMLCanvasElement | null>,
  plot: RefObject<Plot | undefined>,
  latest: RefObject<StillPlotProps>,
): void {
  useEffect(() => {
    const node = canvas.current;
    if (!node) return;
    let pressed: { x: number; stretch: Stretch; moved: boolean } | undefined;
    const secondsPerPixel = ({ fromS, toS }: Stretch) => {
      const area = plot.current?.area() ?? { left: 0, right: 1 };
      return (toS - fromS) / Math.max(1, area.right - area.left);
    };
    const props = () => latest.current as StillPlotProps;
    const onDown = (event: PointerEvent) => {
      pressed = { x: event.offsetX, stretch: props().stretch, moved: false };
      node.setPointerCapture(event.pointerId);
    };
    const onMove = (event: PointerEvent) => {
      if (!pressed) return;
      const by = event.offsetX - pressed.x;
      pressed.moved ||= Math.abs(by) > dragFromPx;
      if (!pressed.moved) return;
      const shift = -by * secondsPerPixel(pressed.stretch);
      props().onStretch({ fromS: pressed.stretch.fromS + shift, toS: pressed.stretch.toS + shift });
    };
    const onUp = (event: PointerEvent) => {
      const x = plot.current?.xAt(event.offsetX);
      if (pressed && !pressed.moved && x !== undefined) props().onPress(x);
      pressed = undefined;
    };
    const onWheel = (event: WheelEvent) => {
      if (event.ctrlKey || event.deltaY === 0) return;
      event.preventDefault();
      const at = plot.current?.xAt(event.offsetX) ?? 0;
      props().onStretch(zoomed(props().stretch, at, event.deltaY > 0 ? zoomStep : 1 / zoomStep));
    };
    const onKey = (event: KeyboardEvent) => {
      const { stretch, onStretch } = props();
      const middle = (stretch.fromS + stretch.toS) / 2;
      const moves: Record<string, Stretch> = {
        ArrowLeft: panned(stretch, -0.1),
        ArrowRight: panned(stretch, 0.1),
        '+': zoomed(stretch, middle, 1 / zoomStep),
        '-': zoomed(stretch, middle, zoomStep),
      };
      const to = moves[event.key];
      if (!to) return;
      event.preventDefault();
      onStretch(to);
    };
    node.addEventListener('pointerdown', onDown);
    node.addEventListener('pointermove', onMove);
    node.addEventListener('pointerup', onUp);
    node.addEventListener('wheel', onWheel, { passive: false });
    node.addEventListener('keydown', onKey);
    return () => {
      node.removeEventListener('pointerdown', onDown);
      node.removeEventListener('pointermove', onMove);
      node.removeEventListener('pointerup', onUp);
      node.removeEventListener('wheel', onWheel);
      node.removeEventListener('keydown', onKey);
    };
  }, [canvas, plot, latest]);
}
