// What is shown on the Plots page as files: one picture with titles and traces named, or the bins as CSV.
import { traceColour } from './chart.ts';
import type { Drawn } from './measures.tsx';
import { toCsv } from './plot-data.ts';

const titleHeightPx = 34;
const footHeightPx = 30;

/** All plots of the page below each other in one picture, each with its title; at the foot what the axis is, and of what. */
export function savePng(foot: string): void {
  const figures = [...document.querySelectorAll<HTMLElement>('.still-plot')];
  const parts = figures.flatMap((figure) => {
    const canvas = figure.querySelector('canvas');
    return canvas ? [{ canvas, title: figure.querySelector('.title')?.textContent ?? '' }] : [];
  });
  const first = parts[0]?.canvas;
  if (!first) return;
  const scale = first.width / Math.max(1, first.clientWidth);
  const picture = document.createElement('canvas');
  picture.width = Math.max(...parts.map(({ canvas }) => canvas.width));
  picture.height = parts.reduce((sum, { canvas }) => sum + canvas.height + titleHeightPx * scale, footHeightPx * scale);
  const ctx = picture.getContext('2d');
  if (!ctx) return;
  const style = getComputedStyle(figures[0] as HTMLElement);
  ctx.fillStyle = style.backgroundColor;
  ctx.fillRect(0, 0, picture.width, picture.height);
  ctx.fillStyle = traceColour(0);
  ctx.textBaseline = 'middle';
  let y = 0;
  for (const { canvas, title } of parts) {
    ctx.font = `600 ${16 * scale}px ${style.fontFamily}`;
    ctx.fillText(title.trim(), 12 * scale, y + (titleHeightPx / 2) * scale);
    y += titleHeightPx * scale;
    ctx.drawImage(canvas, 0, y);
    y += canvas.height;
  }
  ctx.font = `${13 * scale}px ${style.fontFamily}`;
  ctx.fillText(foot, 12 * scale, y + (footHeightPx / 2) * scale, picture.width - 24 * scale);
  picture.toBlob((blob) => blob && save(blob, 'plots.png'));
}

/** @param speeds Engine speed of each session, when that is the axis: its columns come first. */
export function saveCsv(drawn: readonly Drawn[], speeds: readonly Pick<Drawn, 'label' | 'unit' | 'data'>[]): void {
  const traces = [...speeds, ...drawn].flatMap(({ label, unit, data }) =>
    data ? [{ name: unit === '' ? label : `${label} [${unit}]`, bins: data.bins }] : [],
  );
  save(new Blob([toCsv(traces)], { type: 'text/csv' }), 'plots.csv');
}

function save(blob: Blob, name: string): void {
  const link = document.createElement('a');
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}
