// The one file that knows Chart.js: a line plot that is told its points and draws them, and nothing else.
import { Chart, type ChartDataset, DatasetController, LinearScale, type Plugin, PointElement } from 'chart.js';

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

/** Points that a dataset draws, and how; `data` stays empty, so that no element is made for each point and each draw. */
interface DrawnDataset extends ChartDataset<'line', Point[]> {
  points: Point[];
  style: number;
}

/** Draws its dataset's points as they are: a line through them, broken at NaN. Chart.js keeps axes, layout and pixels. */
class PointsController extends DatasetController<'line'> {
  static id = 'line';
  static defaults = { datasetElementType: false, dataElementType: 'point' };

  override update(): void {
    // There are no elements to bring up to date.
  }

  override draw(): void {
    const { points, style } = this.getDataset() as unknown as DrawnDataset;
    const { ctx, chartArea: area, scales } = this.chart;
    const { x, y } = scales;
    if (!x || !y) return;
    const xPixels = (area.right - area.left) / (x.max - x.min);
    const yPixels = (area.bottom - area.top) / (y.max - y.min);
    ctx.save();
    ctx.beginPath();
    ctx.rect(area.left, area.top - 1, area.right - area.left, area.bottom - area.top + 2);
    ctx.clip();
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
    ctx.lineWidth = lineWidthPx;
    ctx.lineJoin = 'round';
    ctx.setLineDash(traceDash(style));
    ctx.stroke();
    ctx.restore();
  }
}

Chart.register(PointsController, PointElement, LinearScale);

const lineWidthPx = 1.75;
const labelColumnPx = 54;
/** Of the canvas: a label column given wider than this is cut to it. */
const labelShareMax = 0.25;
const labelHeightPx = 15;

/** A plot on a canvas. `setTraces` fixes how many traces there are; `draw` shows the points as they are now. */
export class Plot {
  private readonly chart: Chart<'line', Point[]>;
  private looks: TraceLook[] = [];
  private limits: LimitLine[] = [];
  private cursors: number[] = [];
  /** Ranges that the axes were laid out for. */
  private laidOut = '';
  private readonly fontFamily: string;
  private readonly labelPx: number;

  constructor(canvas: HTMLCanvasElement, options: PlotOptions) {
    const style = getComputedStyle(canvas);
    const ink = style.getPropertyValue('--plot-ink').trim() || '#d6d8db';
    const grid = style.getPropertyValue('--plot-grid').trim() || '#34373c';
    this.fontFamily = style.fontFamily;
    this.labelPx = Math.min(
      options.labelPx ?? labelColumnPx,
      Math.max(labelColumnPx, (canvas.parentElement?.clientWidth ?? 0) * labelShareMax),
    );
    const font = { family: this.fontFamily, size: 13 };
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
        devicePixelRatio: Math.min(2, globalThis.devicePixelRatio || 1),
        layout: { padding: { right: this.labelPx, top: 8 } },
        scales: {
          x: {
            type: 'linear',
            min: 0,
            max: 1,
            border: { color: grid },
            grid: { color: grid, tickLength: 4 },
            ticks: { color: ink, font, minRotation: 0, maxRotation: 0, maxTicksLimit: 7, callback: (v) => options.toXTick(Number(v)) },
          },
          y: {
            type: 'linear',
            border: { color: grid },
            grid: { color: grid, tickLength: 4 },
            // One width for all plots, so that their time axes stand under each other.
            afterFit: (axis) => {
              axis.width = 52;
            },
            ticks: { color: ink, font, minRotation: 0, maxRotation: 0, maxTicksLimit: 8, callback: (v) => options.toYTick(Number(v)) },
          },
        },
      },
      plugins: [this.annotations(ink)],
    });
  }

  setTraces(looks: TraceLook[]): void {
    this.looks = looks;
    this.chart.data.datasets = looks.map((look): DrawnDataset => ({ label: look.label, data: [], points: [], style: look.style }));
    this.laidOut = '';
  }

  setLimits(limits: LimitLine[]): void {
    this.limits = limits;
  }

  /** Vertical lines at these x. */
  setCursors(cursors: number[]): void {
    this.cursors = cursors;
  }

  /** Draws `points[i]` as trace i; the arrays are read and not kept beyond the next call. */
  draw(points: Point[][], x: { from: number; to: number; step?: number }, y: { from: number; to: number; step: number }): void {
    this.datasets().forEach((dataset, i) => {
      dataset.points = points[i] ?? [];
    });
    // Axes are laid out anew only when they changed: most draws only draw.
    const layout = `${x.from} ${x.to} ${y.from} ${y.to} ${y.step}`;
    if (layout === this.laidOut) {
      this.chart.draw();
      return;
    }
    this.laidOut = layout;
    const { scales } = this.chart.options;
    if (scales?.x && scales.y) {
      Object.assign(scales.x, { min: x.from, max: x.to });
      Object.assign(scales.x.ticks ?? {}, { stepSize: x.step, includeBounds: x.step === undefined });
      Object.assign(scales.y, { min: y.from, max: y.to });
      Object.assign(scales.y.ticks ?? {}, { stepSize: y.step });
    }
    this.chart.update('none');
  }

  /** The points that stand on the canvas now, by trace. */
  drawnPoints(): { label: string; points: Point[] }[] {
    return this.datasets().map(({ label, points }) => ({ label: label ?? '', points }));
  }

  private datasets(): DrawnDataset[] {
    return this.chart.data.datasets as DrawnDataset[];
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
    this.chart.destroy();
  }

  /** Limit lines below the traces, and each trace's name at its right end. */
  private annotations(ink: string): Plugin<'line'> {
    return {
      id: 'annotations',
      beforeDatasetsDraw: (chart) => {
        const { ctx, chartArea, scales } = chart;
        ctx.save();
        ctx.font = `600 13px ${this.fontFamily}`;
        for (const limit of this.limits) {
          const y = scales.y?.getPixelForValue(limit.y) ?? Number.NaN;
          if (!(y >= chartArea.top && y <= chartArea.bottom)) continue;
          ctx.strokeStyle = ink;
          ctx.lineWidth = 1;
          ctx.setLineDash([1, 3]);
          line(ctx, chartArea.left, y, chartArea.right, y);
          ctx.fillStyle = ink;
          ctx.textBaseline = 'bottom';
          ctx.fillText(limit.label, chartArea.left + 6, y - 2);
        }
        ctx.restore();
      },
      afterDatasetsDraw: (chart) => {
        const { ctx, chartArea, scales } = chart;
        ctx.save();
        ctx.strokeStyle = ink;
        ctx.lineWidth = 1;
        for (const x of this.cursors) {
          const pixel = scales.x?.getPixelForValue(x) ?? Number.NaN;
          if (pixel >= chartArea.left && pixel <= chartArea.right) line(ctx, pixel, chartArea.top, pixel, chartArea.bottom);
        }
        this.drawEndLabels(chart);
        ctx.restore();
      },
    };
  }

  private drawEndLabels(chart: Chart): void {
    const { ctx, chartArea, scales } = chart;
    const ends: { y: number; at: number; look: TraceLook }[] = [];
    this.looks.forEach((look, i) => {
      const last = lastFinite(this.datasets()[i]?.points);
      if (!last) return;
      const y = scales.y?.getPixelForValue(last.y) ?? chartArea.bottom;
      const clamped = Math.min(chartArea.bottom, Math.max(chartArea.top, y));
      ends.push({ y: clamped, at: clamped, look });
    });
    spreadLabels(ends, chartArea.top, chartArea.bottom);
    ctx.font = `600 13px ${this.fontFamily}`;
    ctx.textBaseline = 'middle';
    for (const end of ends) {
      ctx.fillStyle = ctx.strokeStyle = traceColour(end.look.style);
      ctx.lineWidth = 1;
      ctx.setLineDash([]);
      line(ctx, chartArea.right + 1, end.y, chartArea.right + 7, end.at);
      ctx.fillText(toFitting(ctx, end.look.label, this.labelPx - 10), chartArea.right + 9, end.at);
    }
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

function lastFinite(points: Point[] | undefined): Point | undefined {
  for (let i = (points?.length ?? 0) - 1; i >= 0; i--) if (Number.isFinite(points?.[i]?.y)) return points?.[i];
  return undefined;
}

function line(ctx: CanvasRenderingContext2D, x1: number, y1: number, x2: number, y2: number): void {
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x2, y2);
  ctx.stroke();
}
