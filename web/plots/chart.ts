// The one file that knows Chart.js: a line plot that is told its points and draws them. Chart.js keeps layout and axes; they are drawn once
// and kept as a picture, since writing text on a canvas makes the browser work out the whole page's styles, and traces go over it.
import { Chart, LinearScale, type Plugin } from 'chart.js';
import type { YRange } from './y-range.ts';

/** A point; y is NaN where the trace is broken (a gap is drawn as a gap). */
export interface Point {
  x: number;
  y: number;
}

/** What one trace looks like and is called. `style` counts from 0 over the traces of a plot. */
export interface TraceLook {
  label: string;
  style: number;
}

export interface LimitLine {
  y: number;
  label: string;
}

/** Where a trace was not ok: drawn as a strip at the foot of the plot, hollow where it was out of range, solid where it had no number. */
export interface BadRun {
  from: number;
  to: number;
  kind: 'out' | 'bad';
}

/** Ends of the x axis, and what lies between two ticks; without it Chart.js chooses. */
interface XRange {
  from: number;
  to: number;
  step?: number;
}

export interface PlotOptions {
  /** Text of a tick on the x axis. */
  toXTick(x: number): string;
  toYTick(y: number): string;
  /** Room for the names at the right, CSS pixels; 54 when left out. */
  labelPx?: number;
}

/**
 * Okabe-Ito on a dark ground, white in front: at least 4.8 : 1 on #121212, and 15.8 apart (CIE 76) for every kind of colour vision.
 * Dashes change with each round of eight and within it, so that no trace is told by colour alone.
 */
const colours = ['#FFFFFF', '#E69F00', '#56B4E9', '#009E73', '#F0E442', '#4C86F0', '#D55E00', '#CC79A7'] as const;
const dashes: number[][] = [[], [7, 3], [2, 3], [10, 3, 2, 3]];

export function traceColour(style: number): string {
  return colours[style % colours.length] as string;
}

export function traceDash(style: number): number[] {
  return dashes[(style + Math.floor(style / colours.length)) % dashes.length] as number[];
}

Chart.register(LinearScale);

/** A trace as it is drawn. Its label is written once, into a picture of its own. */
interface Trace extends TraceLook {
  points: Point[];
  picture: HTMLCanvasElement | undefined;
}

const lineWidthPx = 1.75;
const yAxisPx = 52;
const labelColumnPx = 54;
/** Of the canvas: a label column given wider than this is cut to it. */
const labelShareMax = 0.25;
const labelHeightPx = 15;
const [stripPx, stripStepPx, stripsMax] = [4, 6, 6] as const;

/** A plot on a canvas. `setTraces` fixes how many traces there are; `draw` shows the points as they are now. */
export class Plot {
  private readonly chart: Chart<'line', Point[]>;
  private readonly canvas: HTMLCanvasElement;
  /** Axes, grid and limits as they were last laid out, in device pixels. */
  private readonly ground = document.createElement('canvas');
  private traces: Trace[] = [];
  private limits: LimitLine[] = [];
  private cursors: number[] = [];
  private badRuns: readonly (readonly BadRun[])[] = [];
  private latest: { x: XRange; y: YRange } | undefined;
  /** Ranges that the axes were laid out for; empty: to be laid out anew. */
  private laidOut = '';
  private readonly font: string;
  private readonly ink: string;
  private readonly labelPx: number;

  constructor(canvas: HTMLCanvasElement, options: PlotOptions) {
    const style = getComputedStyle(canvas);
    this.canvas = canvas;
    this.ink = style.getPropertyValue('--plot-ink').trim() || '#d6d8db';
    this.font = `600 13px ${style.fontFamily}`;
    this.labelPx = Math.min(
      options.labelPx ?? labelColumnPx,
      Math.max(labelColumnPx, (canvas.parentElement?.clientWidth ?? 0) * labelShareMax),
    );
    const grid = style.getPropertyValue('--plot-grid').trim() || '#34373c';
    const axis = { color: this.ink, font: { family: style.fontFamily, size: 13 }, minRotation: 0, maxRotation: 0 };
    this.chart = new Chart(canvas, {
      type: 'line',
      data: { datasets: [] },
      options: {
        animation: false,
        parsing: false,
        normalized: true,
        responsive: true,
        maintainAspectRatio: false,
        events: [],
        onResize: () => {
          this.laidOut = '';
          // Chart.js draws its axes alone: what stands still draws the rest again, once it is through.
          requestAnimationFrame(() => this.redraw());
        },
        devicePixelRatio: Math.min(2, globalThis.devicePixelRatio || 1),
        layout: { padding: { right: this.labelPx, top: 8 } },
        scales: {
          x: {
            type: 'linear',
            min: 0,
            max: 1,
            border: { color: grid },
            grid: { color: grid, tickLength: 4 },
            // With a step of ours the ticks are its multiples: Chart.js divides a range of large numbers evenly instead.
            afterBuildTicks: (scale) => {
              const { step } = this.latest?.x ?? {};
              if (step === undefined) return;
              const first = Math.ceil(scale.min / step);
              const count = Math.floor(scale.max / step) - first + 1;
              scale.ticks = Array.from({ length: Math.max(0, count) }, (_, i) => ({ value: (first + i) * step }));
            },
            ticks: { ...axis, maxTicksLimit: 7, callback: (v) => options.toXTick(Number(v)) },
          },
          y: {
            type: 'linear',
            border: { color: grid },
            grid: { color: grid, tickLength: 4 },
            // One width for all plots, so that their time axes stand under each other.
            afterFit: (scale) => {
              scale.width = yAxisPx;
            },
            ticks: { ...axis, maxTicksLimit: 8, callback: (v) => options.toYTick(Number(v)) },
          },
        },
      },
      plugins: [this.limitLines()],
    });
  }

  setTraces(looks: TraceLook[]): void {
    this.traces = looks.map((look) => ({ ...look, points: [], picture: undefined }));
    this.laidOut = '';
  }

  setLimits(limits: LimitLine[]): void {
    if (JSON.stringify(limits) !== JSON.stringify(this.limits)) this.laidOut = '';
    this.limits = limits;
  }

  /** Vertical lines at these x. */
  setCursors(cursors: number[]): void {
    this.cursors = cursors;
  }

  /** `runs[i]` belongs to trace i; drawn with the next points. */
  setBadRuns(runs: readonly (readonly BadRun[])[]): void {
    this.badRuns = runs;
  }

  /** Draws `points[i]` as trace i; the arrays are read and not kept beyond the next call. */
  draw(points: Point[][], x: XRange, y: YRange): void {
    this.traces.forEach((trace, i) => {
      trace.points = points[i] ?? [];
    });
    this.latest = { x, y };
    const layout = `${x.from} ${x.to} ${y.from} ${y.to} ${y.step}`;
    if (layout !== this.laidOut) this.layOut(x, y);
    this.laidOut = layout;
    const { ctx } = this.chart;
    ctx.save();
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.clearRect(0, 0, this.canvas.width, this.canvas.height);
    if (this.ground.width > 0 && this.ground.height > 0) ctx.drawImage(this.ground, 0, 0);
    ctx.restore();
    this.drawTraces(ctx);
    this.drawBadRuns(ctx);
    this.drawCursors(ctx);
    this.drawEndLabels(ctx);
  }

  private redraw(): void {
    const { latest } = this;
    if (latest && this.laidOut === '' && this.canvas.width > 0 && this.canvas.height > 0) {
      this.draw(
        this.traces.map(({ points }) => points),
        latest.x,
        latest.y,
      );
    }
  }

  /** The points that stand on the canvas now, by trace. */
  drawnPoints(): { label: string; points: Point[] }[] {
    return this.traces.map(({ label, points }) => ({ label, points }));
  }

  /** Lets Chart.js lay out and draw the axes, and keeps them as a picture. */
  private layOut(x: XRange, y: YRange): void {
    const { scales } = this.chart.options;
    if (scales?.x && scales.y) {
      Object.assign(scales.x, { min: x.from, max: x.to });
      Object.assign(scales.x.ticks ?? {}, { stepSize: x.step, includeBounds: x.step === undefined });
      Object.assign(scales.y, { min: y.from, max: y.to });
      Object.assign(scales.y.ticks ?? {}, { stepSize: y.step });
    }
    this.chart.update('none');
    this.ground.width = this.canvas.width;
    this.ground.height = this.canvas.height;
    if (this.canvas.width > 0 && this.canvas.height > 0) this.ground.getContext('2d')?.drawImage(this.canvas, 0, 0);
    for (const trace of this.traces) trace.picture = this.toPicture(trace);
  }

  /** X of a place on the canvas, in CSS pixels from its left edge. */
  xAt(pixel: number): number {
    return this.chart.scales.x?.getValueForPixel(pixel) ?? Number.NaN;
  }

  /** Left and right end of the plot area, in CSS pixels. */
  area(): { left: number; right: number } {
    return { left: this.chart.chartArea?.left ?? 0, right: this.chart.chartArea?.right ?? 0 };
  }

  destroy(): void {
    this.latest = undefined;
    this.chart.destroy();
  }

  /** Limit lines below the traces, as a part of the ground. */
  private limitLines(): Plugin<'line'> {
    return {
      id: 'limit-lines',
      beforeDatasetsDraw: ({ ctx, chartArea, scales }) => {
        ctx.save();
        ctx.font = this.font;
        ctx.strokeStyle = ctx.fillStyle = this.ink;
        ctx.lineWidth = 1;
        ctx.textBaseline = 'bottom';
        ctx.setLineDash([1, 3]);
        for (const limit of this.limits) {
          const y = scales.y?.getPixelForValue(limit.y) ?? Number.NaN;
          if (!(y >= chartArea.top && y <= chartArea.bottom)) continue;
          line(ctx, chartArea.left, y, chartArea.right, y);
          ctx.fillText(limit.label, chartArea.left + 6, y - 2);
        }
        ctx.restore();
      },
    };
  }

  /** A line through each trace's points, broken at NaN. */
  private drawTraces(ctx: CanvasRenderingContext2D): void {
    const { chartArea: area, scales } = this.chart;
    const { x, y } = scales;
    if (!x || !y || !area) return;
    const xPixels = (area.right - area.left) / (x.max - x.min);
    const yPixels = (area.bottom - area.top) / (y.max - y.min);
    ctx.save();
    ctx.beginPath();
    ctx.rect(area.left, area.top - 1, area.right - area.left, area.bottom - area.top + 2);
    ctx.clip();
    ctx.lineWidth = lineWidthPx;
    ctx.lineJoin = 'round';
    for (const { points, style } of this.traces) {
      ctx.beginPath();
      let pen = false;
      for (const point of points) {
        if (Number.isNaN(point.y)) {
          pen = false;
          continue;
        }
        const px = area.left + (point.x - x.min) * xPixels;
        const py = area.bottom - (point.y - y.min) * yPixels;
        if (pen) ctx.lineTo(px, py);
        else ctx.moveTo(px, py);
        pen = true;
      }
      ctx.strokeStyle = traceColour(style);
      ctx.setLineDash(traceDash(style));
      ctx.stroke();
    }
    ctx.restore();
  }

  /** A row at the foot for each trace that was not ok somewhere, in the trace's colour. */
  private drawBadRuns(ctx: CanvasRenderingContext2D): void {
    const { chartArea: area, scales } = this.chart;
    const rows = this.traces.map((trace, i) => ({ style: trace.style, runs: this.badRuns[i] ?? [] })).filter(({ runs }) => runs.length > 0);
    ctx.lineWidth = 1;
    for (const [row, { style, runs }] of rows.slice(0, stripsMax).entries()) {
      ctx.strokeStyle = ctx.fillStyle = traceColour(style);
      const top = area.bottom - 2 - stripPx - row * stripStepPx;
      for (const { from, to, kind } of runs) {
        const left = Math.max(area.left, scales.x?.getPixelForValue(from) ?? Number.NaN);
        const right = Math.min(area.right, scales.x?.getPixelForValue(to) ?? Number.NaN);
        if (!(right > left)) continue;
        const width = Math.max(1.5, right - left);
        if (kind === 'bad') ctx.fillRect(left, top, width, stripPx);
        else ctx.strokeRect(left + 0.5, top + 0.5, Math.max(1, width - 1), stripPx - 1);
      }
    }
  }

  private drawCursors(ctx: CanvasRenderingContext2D): void {
    const { chartArea: area, scales } = this.chart;
    ctx.strokeStyle = this.ink;
    ctx.lineWidth = 1;
    for (const x of this.cursors) {
      const pixel = scales.x?.getPixelForValue(x) ?? Number.NaN;
      if (pixel >= area.left && pixel <= area.right) line(ctx, pixel, area.top, pixel, area.bottom);
    }
  }

  /** Each trace's name at its right end. */
  private drawEndLabels(ctx: CanvasRenderingContext2D): void {
    const { chartArea: area, scales } = this.chart;
    const ends: { y: number; at: number; trace: Trace }[] = [];
    for (const trace of this.traces) {
      const last = lastFinite(trace.points);
      if (!last) continue;
      const y = scales.y?.getPixelForValue(last.y) ?? area.bottom;
      const clamped = Math.min(area.bottom, Math.max(area.top, y));
      ends.push({ y: clamped, at: clamped, trace });
    }
    spreadLabels(ends, area.top, area.bottom);
    ctx.lineWidth = 1;
    for (const { y, at, trace } of ends) {
      ctx.strokeStyle = traceColour(trace.style);
      line(ctx, area.right + 1, y, area.right + 7, at);
      if (trace.picture) ctx.drawImage(trace.picture, area.right + 9, at - labelHeightPx / 2, this.labelPx - 10, labelHeightPx);
    }
  }

  private toPicture({ label, style }: Trace): HTMLCanvasElement {
    const picture = document.createElement('canvas');
    const ratio = this.chart.currentDevicePixelRatio;
    picture.width = Math.ceil((this.labelPx - 10) * ratio);
    picture.height = Math.ceil(labelHeightPx * ratio);
    const ctx = picture.getContext('2d');
    if (!ctx) return picture;
    ctx.scale(ratio, ratio);
    ctx.font = this.font;
    ctx.fillStyle = traceColour(style);
    ctx.textBaseline = 'middle';
    ctx.fillText(toFitting(ctx, label, this.labelPx - 10), 0, labelHeightPx / 2);
    return picture;
  }
}

/** Moves labels (`at`) so that none lies on another, in the order of their places, inside top and bottom. */
export function spreadLabels(labels: { y: number; at: number }[], top: number, bottom: number): void {
  labels.sort((a, b) => a.y - b.y);
  const step = Math.min(labelHeightPx, (bottom - top) / Math.max(1, labels.length - 1));
  let floor = top;
  for (const label of labels) {
    label.at = Math.max(label.y, floor);
    floor = label.at + step;
  }
  let ceiling = bottom;
  for (let i = labels.length - 1; i >= 0; i--) {
    const label = labels[i] as { at: number };
    label.at = Math.min(label.at, ceiling);
    ceiling = label.at - step;
  }
}

/** The text, cut in its middle where it is too wide: names of channels differ at both ends. */
function toFitting(ctx: CanvasRenderingContext2D, text: string, widthPx: number): string {
  if (ctx.measureText(text).width <= widthPx) return text;
  for (let kept = text.length - 1; kept > 1; kept--) {
    const head = Math.ceil(kept / 2);
    const cut = `${text.slice(0, head)}…${text.slice(text.length - (kept - head))}`;
    if (ctx.measureText(cut).width <= widthPx) return cut;
  }
  return '…';
}

function lastFinite(points: Point[]): Point | undefined {
  for (let i = points.length - 1; i >= 0; i--) if (Number.isFinite(points[i]?.y)) return points[i];
  return undefined;
}

function line(ctx: CanvasRenderingContext2D, x1: number, y1: number, x2: number, y2: number): void {
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
}
