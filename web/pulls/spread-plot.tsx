// Spread by engine speed, one line a sweep, holds as marks; dashes and labels at the end tell lines apart without colour.
import { toNumberText } from '../shell/numbers.ts';
import type { NumberedPull } from './peak-table.tsx';

const [width, height] = [720, 300];
const inset = { left: 48, right: 96, top: 16, bottom: 40 };
const dashes = ['', '10 5', '3 4', '12 4 3 4', '2 7', '18 6'];

interface Point {
  speed: number;
  spread: number;
}

export function SpreadPlot({ pulls }: { pulls: NumberedPull[] }) {
  const lines = pulls.map(({ pull, number }) => ({
    number,
    kind: pull.kind,
    points: pull.bands.flatMap(({ speed, spreadK }): Point[] => (spreadK === null ? [] : [{ speed, spread: spreadK }])),
  }));
  const all = lines.flatMap(({ points }) => points);
  if (all.length === 0) return null;
  const speeds = all.map(({ speed }) => speed);
  const low = Math.floor((Math.min(...speeds) - 1) / 500) * 500;
  const high = Math.ceil((Math.max(...speeds) + 1) / 500) * 500;
  const top = Math.max(20, Math.ceil(Math.max(...all.map(({ spread }) => spread)) / 20) * 20);
  const x = (speed: number) => inset.left + ((speed - low) / (high - low)) * (width - inset.left - inset.right);
  const y = (spread: number) => height - inset.bottom - (spread / top) * (height - inset.top - inset.bottom);
  return (
    <figure class="spread-plot">
      <figcaption>Spread by engine speed</figcaption>
      <div class="scroll-x">
        <svg viewBox={`0 0 ${width} ${height}`} role="img" aria-label={toWords(lines)}>
          <rect width={width} height={height} rx="8" class="ground" />
          {toTicks(0, top, 4).map((spread) => (
            <g key={spread}>
              <line x1={inset.left} x2={width - inset.right} y1={y(spread)} y2={y(spread)} class="grid" />
              <text x={inset.left - 8} y={y(spread) + 5} class="tick end">
                {spread}
              </text>
            </g>
          ))}
          {toTicks(low, high, 5).map((speed) => (
            <text key={speed} x={x(speed)} y={height - 18} class="tick middle">
              {speed}
            </text>
          ))}
          <text x={width - inset.right} y={height - 4} class="tick end">
            rpm
          </text>
          <text x={4} y={12} class="tick">
            K
          </text>
          {toLabels(lines, x, y).map(({ numbers, at: [left, down] }) => (
            <text key={numbers} x={left} y={down} class="name">
              {numbers}
            </text>
          ))}
          {lines.map(({ number, kind, points }, i) => (
            <g key={number} class={`line-${i % 8}`}>
              {kind === 'sweep' && (
                <polyline
                  points={points.map(({ speed, spread }) => `${x(speed)},${y(spread)}`).join(' ')}
                  stroke-dasharray={dashes[i % dashes.length]}
                />
              )}
              {kind === 'hold' &&
                points.map(({ speed, spread }) => <rect key={speed} x={x(speed) - 5} y={y(spread) - 5} width="10" height="10" />)}
            </g>
          ))}
        </svg>
      </div>
    </figure>
  );
}

interface Line {
  number: number;
  points: Point[];
}

/** Closer than this two labels would lie on each other: they become one, `3, 7`. */
const labelHeight = 16;
const labelWidth = 40;

function toLabels(lines: Line[], x: (speed: number) => number, y: (spread: number) => number) {
  const labels: { numbers: string; at: [number, number] }[] = [];
  for (const { number, points } of lines) {
    const last = points.at(-1);
    if (!last) continue;
    const at: [number, number] = [x(last.speed) + 9, y(last.spread) + 5];
    const near = labels.find(({ at: [left, down] }) => Math.abs(left - at[0]) < labelWidth && Math.abs(down - at[1]) < labelHeight);
    if (near) near.numbers += `, ${number}`;
    else labels.push({ numbers: String(number), at });
  }
  return labels;
}

function toTicks(low: number, high: number, about: number): number[] {
  const step = [5, 10, 20, 50, 100, 200, 250, 500, 1000, 2000, 5000].find((size) => (high - low) / size <= about) ?? high - low;
  const ticks: number[] = [];
  for (let at = Math.ceil(low / step) * step; at <= high; at += step) ticks.push(at);
  return ticks;
}

/** What the picture says, for who can't see it; the tables below have every number. */
function toWords(lines: Line[]): string {
  const each = lines.flatMap(({ number, points }) => {
    if (points.length === 0) return [];
    const most = points.reduce((best, point) => (point.spread > best.spread ? point : best));
    return [`pull ${number} at most ${toNumberText(most.spread, 0)} K at ${most.speed} rpm`];
  });
  return `Spread by engine speed: ${each.join(', ')}`;
}
