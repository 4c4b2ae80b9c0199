// One plot of a report as SVG: lines over all of a session, on paper, told apart without colour. Pure.
import { html, type Markup } from './markup.ts';
import type { PlotData, PlotTrace } from './report-data.ts';

const width = 720;
const area = { left: 54, right: 712, top: 10, bottom: 162 } as const;
const tickRowPx = 18;
const [stripPx, stripStepPx] = [3, 4];

/** Okabe-Ito, those that stand out on white; dashes change with every round, so that no trace is told by colour alone. */
const colours = ['#000000', '#0072B2', '#D55E00', '#009E73', '#AA4499', '#8A6D00'] as const;
const dashes = ['', '6 3', '2 3', '10 3 2 3'] as const;

const held = 5;
/** Out of range; up to here a code carries a number. */
const withNumber = 1;

/** A stretch of time to shade: a pull. */
export interface Shade {
  fromS: number;
  toS: number;
}

/** A numbered place on the time axis: an alarm. */
export interface Mark {
  atS: number;
  label: string;
}

/** @returns A figure with its legend: what each trace is, its lowest and highest. */
export function toPlotFigure(plot: PlotData, shades: readonly Shade[], marks: readonly Mark[]): Markup {
  const { choice, traces } = plot;
  const y = yScale(plot);
  const x = (s: number) => area.left + (s / Math.max(plot.seconds, 1e-6)) * (area.right - area.left);
  const toY = (value: number) => area.bottom - ((value - y.from) / (y.to - y.from)) * (area.bottom - area.top);
  const striped = traces.filter(({ quality }) => quality.some((code) => badKind(code) !== ''));
  const foot = area.bottom + 2 + striped.length * stripStepPx;
  const limits = choice.limits.filter((limit) => limit.y >= y.from && limit.y <= y.to);
  const clip = `area-${choice.title.replaceAll(/[^a-z]/gi, '')}-${choice.unit.replaceAll(/[^a-z]/gi, '')}`;
  return html`<figure class="plot">
<figcaption><b>${choice.title}</b> ${unitWord(choice.unit)}</figcaption>
<svg viewBox="0 0 ${width} ${foot + tickRowPx}" role="img" aria-label="${`${choice.title}, ${traces.map((trace) => legendText(trace)).join('; ')}`}">
<clipPath id="${clip}"><rect x="${area.left}" y="${area.top}" width="${area.right - area.left}" height="${area.bottom - area.top}"/></clipPath>
${shades.map(({ fromS, toS }) => html`<rect class="shade" x="${px(x(fromS))}" y="${area.top}" width="${px(Math.max(1, x(toS) - x(fromS)))}" height="${area.bottom - area.top}"/>`)}
${y.ticks.map((tick) => html`<line class="grid" x1="${area.left}" x2="${area.right}" y1="${px(toY(tick))}" y2="${px(toY(tick))}"/><text x="${area.left - 5}" y="${px(toY(tick) + 4)}" text-anchor="end">${tickText(tick, y.step)}</text>`)}
${timeTicks(plot.seconds).map((tick) => html`<line class="grid" x1="${px(x(tick))}" x2="${px(x(tick))}" y1="${area.top}" y2="${area.bottom}"/><text x="${px(x(tick))}" y="${foot + 13}" text-anchor="middle">${toClock(tick)}</text>`)}
${limits.map((limit) => html`<line class="limit" x1="${area.left}" x2="${area.right}" y1="${px(toY(limit.y))}" y2="${px(toY(limit.y))}"/><text x="${area.left + 5}" y="${px(toY(limit.y) - 3)}">${limit.label} ${tickText(limit.y, y.step)}</text>`)}
<g clip-path="url(#${clip})" fill="none" stroke-width="1.2">
${traces.map((trace, i) => html`<path stroke="${colourOf(i)}" stroke-dasharray="${dashOf(i)}" d="${tracePath(plot, trace, x, toY)}"/>`)}
</g>
${striped.map((trace, i) => badStrips(plot, trace, x, area.bottom + 2 + i * stripStepPx))}
${marks.map((mark) => html`<line class="mark" x1="${px(x(mark.atS))}" x2="${px(x(mark.atS))}" y1="${area.top}" y2="${area.bottom}"/><text class="mark" x="${px(x(mark.atS) + 2)}" y="${area.top + 8}">${mark.label}</text>`)}
</svg>
<ul class="legend">${traces.map((trace, i) => html`<li><svg viewBox="0 0 26 8" aria-hidden="true"><line x1="0" x2="26" y1="4" y2="4" stroke="${colourOf(i)}" stroke-dasharray="${dashOf(i)}" stroke-width="2"/></svg> ${legendText(trace)}</li>`)}</ul>
</figure>`;
}

function colourOf(style: number): string {
  return colours[style % colours.length] as string;
}

function dashOf(style: number): string {
  return dashes[(style + Math.floor(style / colours.length)) % dashes.length] as string;
}

function extremes(traces: readonly PlotTrace[]): { low: number; high: number } | undefined {
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const trace of traces) {
    for (const value of trace.low) if (value !== null && value < low) low = value;
    for (const value of trace.high) if (value !== null && value > high) high = value;
  }
  return low <= high ? { low, high } : undefined;
}

function legendText(trace: PlotTrace): string {
  const found = extremes([trace]);
  const range = found ? `${toShort(found.low)} to ${toShort(found.high)}` : 'no number in this session';
  const out = trace.quality.some((code) => badKind(code) === 'out') ? ', out of range in places' : '';
  const bad = trace.quality.some((code) => badKind(code) === 'bad') ? ', without a number in places' : '';
  return `${trace.channel.replaceAll('_', ' ')}: ${range}${out}${bad}`;
}

/** Four digits that mean something. */
function toShort(value: number): string {
  return String(Number(value.toPrecision(4)));
}

/** Round ends around the data, and a limit that lies near it. */
function yScale({ choice, traces }: PlotData): { from: number; to: number; step: number; ticks: number[] } {
  let { low, high } = extremes(traces) ?? { low: 0, high: 1 };
  const span = Math.max(high - low, Math.abs(high) * 0.02, 1e-6);
  for (const { y } of choice.limits) {
    if (y > high && y - high < span) high = y;
    if (y < low && low - y < span) low = y;
  }
  const step = roundStep((Math.max(high - low, span) * 1.05) / 4);
  // Noise of a value at rest does not open another row below zero.
  const from = Math.floor((low + span * 0.02) / step) * step;
  const to = Math.max(from + step, Math.ceil(high / step) * step);
  const ticks = Array.from({ length: Math.round((to - from) / step) + 1 }, (_, i) => from + i * step);
  return { from, to, step, ticks };
}

/** The next of 1, 2, 5 × a power of ten. */
function roundStep(step: number): number {
  const power = 10 ** Math.floor(Math.log10(step));
  return ([1, 2, 5, 10].find((factor) => factor * power >= step) ?? 10) * power;
}

function tickText(value: number, step: number): string {
  const digits = Math.max(0, Math.min(6, Math.ceil(-Math.log10(step) - 1e-9)));
  return value.toFixed(digits).replace('-', '−');
}

function timeTicks(seconds: number): number[] {
  const steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 43_200];
  const step = steps.find((candidate) => seconds / candidate <= 8) ?? 86_400;
  return Array.from({ length: Math.floor(seconds / step) + 1 }, (_, i) => i * step);
}

/** `75` → `1:15`, `0.5` → `0:00.5`, `3700` → `1:01:40`. */
export function toClock(seconds: number): string {
  const tenths = Math.round(seconds * 10);
  const whole = Math.floor(tenths / 10);
  const two = (n: number) => String(n).padStart(2, '0');
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const rest = tenths % 10 === 0 ? '' : `.${tenths % 10}`;
  return `${h > 0 ? `${h}:${two(m)}` : m}:${two(s)}${rest}`;
}

export function unitWord(unit: string): string {
  return { degC: '°C', degF: '°F', lambda: 'λ', count: '' }[unit] ?? unit;
}

function px(value: number): string {
  return value.toFixed(1);
}

/** From lowest to highest of each bin; a bin without a number breaks the line, one without a sample does not. */
function tracePath(plot: PlotData, { low, high, quality }: PlotTrace, x: (s: number) => number, y: (value: number) => number): string {
  let path = '';
  let pen = false;
  for (let i = 0; i < quality.length; i++) {
    const code = quality[i] as number;
    const [lowest, highest] = [low[i] ?? null, high[i] ?? null];
    if (code === held) continue;
    if (code > withNumber || lowest === null || highest === null) {
      pen = false;
      continue;
    }
    const at = px(x(plot.fromS + (i + 0.5) * plot.widthS));
    path += `${pen ? 'L' : 'M'}${at} ${px(y(lowest))}`;
    path += highest === lowest ? (pen ? '' : 'h0.1') : `L${at} ${px(y(highest))}`;
    pen = true;
  }
  return path;
}

function badKind(code: number | undefined): 'out' | 'bad' | '' {
  if (code === withNumber) return 'out';
  return code !== undefined && code > withNumber && code < held ? 'bad' : '';
}

/** Below the axis, a strip where a trace was out of range (grey) or had no number (black). */
function badStrips(plot: PlotData, { quality }: PlotTrace, x: (s: number) => number, top: number): Markup[] {
  const strips: Markup[] = [];
  for (let i = 0; i < quality.length; ) {
    const kind = badKind(quality[i]);
    let end = i + 1;
    while (end < quality.length && badKind(quality[end]) === kind) end++;
    if (kind !== '') {
      const from = Math.max(area.left, x(plot.fromS + i * plot.widthS));
      const to = Math.min(area.right, x(plot.fromS + end * plot.widthS));
      strips.push(html`<rect class="${kind}" x="${px(from)}" y="${top}" width="${px(Math.max(0.8, to - from))}" height="${stripPx}"/>`);
    }
    i = end;
  }
  return strips;
}
