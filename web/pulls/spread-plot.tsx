// Pulls over engine speed in a quantity of choice, one line a sweep, holds as marks; dashes and labels at the end tell lines apart without colour.
import { useSignal } from '@preact/signals';
import type { PullView } from '../../server/contract/pulls.ts';
import { toNumberText, toUnitWord } from '../shell/numbers.ts';
import { type Shown, shownUnit } from '../shell/units.ts';
import type { NumberedPull } from './peak-table.tsx';

const [width, height] = [720, 300];
const inset = { left: 48, right: 96, top: 30, bottom: 40 };
/** Less than this apart (in the quantity's own unit) lines are drawn close together, not spread over the picture. */
const leastSpan = 20;
const dashes = ['', '10 5', '3 4', '12 4 3 4', '2 7', '18 6'];

interface Point {
  speed: number;
  value: number;
}

interface Quantity {
  key: string;
  name: string;
  unit: string;
  /** Spread, duty and the like are read from 0; temperatures and pressures by their own range. */
  fromZero: boolean;
  of(band: PullView['bands'][number], pull: PullView): number | null | undefined;
}

function quantitiesOf(pulls: NumberedPull[]): Quantity[] {
  const all = pulls.map(({ pull }) => pull);
  const cylinders = [...new Set(all.flatMap((pull) => pull.cylinders))].sort((a, b) => a - b);
  const sets = [...new Set(all.flatMap((pull) => pull.sets.map(({ set }) => set)))];
  const power = (pull: PullView, speed: number) => pull.power?.rows.find((row) => row.speed === speed);
  return [
    { key: 'spread', name: 'Spread', unit: 'K', fromZero: true, of: ({ spreadK }) => spreadK },
    { key: 'rms', name: 'RMS deviation', unit: 'K', fromZero: true, of: ({ rmsK }) => rmsK },
    ...cylinders.map(
      (n): Quantity => ({
        key: `temp ${n}`,
        name: `Cylinder ${n}, indicated`,
        unit: 'degC',
        fromZero: false,
        of: ({ temps }, pull) => temps[pull.cylinders.indexOf(n)],
      }),
    ),
    ...sets.flatMap((set): Quantity[] => {
      const at = (pull: PullView) => pull.sets.findIndex((one) => one.set === set);
      return [
        { key: `duty ${set}`, name: `Duty, ${set}`, unit: '%', fromZero: true, of: ({ duty }, pull) => duty[at(pull)] },
        {
          key: `delta ${set}`,
          name: `Fuel pressure delta, ${set}`,
          unit: 'kPa',
          fromZero: false,
          of: ({ deltaKpa }, pull) => deltaKpa[at(pull)],
        },
      ];
    }),
    { key: 'timing', name: 'Timing', unit: '°', fromZero: false, of: ({ timing }) => timing },
    { key: 'torque', name: 'Torque, as measured', unit: 'Nm', fromZero: true, of: ({ speed }, pull) => power(pull, speed)?.torqueNm },
    { key: 'power', name: 'Power, as measured', unit: 'kW', fromZero: true, of: ({ speed }, pull) => power(pull, speed)?.powerKw },
    { key: 'corrected', name: 'Power, SAE J1349', unit: 'kW', fromZero: true, of: ({ speed }, pull) => power(pull, speed)?.correctedKw },
  ];
}

export function SpreadPlot({ pulls }: { pulls: NumberedPull[] }) {
  const chosen = useSignal('spread');
  const has = ({ of }: Quantity) => pulls.some(({ pull }) => pull.bands.some((band) => typeof of(band, pull) === 'number'));
  const offered = quantitiesOf(pulls).filter(has);
  const quantity = offered.find(({ key }) => key === chosen.value) ?? offered[0];
  if (!quantity) return null;
  return (
    <figure class="spread-plot">
      <figcaption>
        <label class="field">
          <span>By engine speed</span>
          <select
            value={quantity.key}
            onChange={(event) => {
              chosen.value = event.currentTarget.value;
            }}
          >
            {offered.map(({ key, name }) => (
              <option key={key} value={key}>
                {name}
              </option>
            ))}
          </select>
        </label>
      </figcaption>
      <Picture pulls={pulls} quantity={quantity} />
    </figure>
  );
}

function Picture({ pulls, quantity }: { pulls: NumberedPull[]; quantity: Quantity }) {
  const shown = shownUnit(quantity.unit, quantity.unit === 'K');
  const lines = pulls.map(({ pull, number }) => ({
    number,
    kind: pull.kind,
    points: pull.bands.flatMap((band): Point[] => {
      const value = quantity.of(band, pull);
      return typeof value === 'number' ? [{ speed: band.speed, value: value * shown.factor + shown.offset }] : [];
    }),
  }));
  const all = lines.flatMap(({ points }) => points);
  const speeds = all.map(({ speed }) => speed);
  const low = Math.floor((Math.min(...speeds) - 1) / 500) * 500;
  const high = Math.ceil((Math.max(...speeds) + 1) / 500) * 500;
  const values = all.map(({ value }) => value);
  const least = quantity.fromZero ? 0 : Math.min(...values);
  const step = toStep(Math.max(Math.max(...values) - least, leastSpan * shown.factor), 4);
  const bottom = Math.floor(least / step) * step;
  const top = Math.max(bottom + step, Math.ceil(Math.max(...values) / step) * step);
  const x = (speed: number) => inset.left + ((speed - low) / (high - low)) * (width - inset.left - inset.right);
  const y = (value: number) => height - inset.bottom - ((value - bottom) / (top - bottom)) * (height - inset.top - inset.bottom);
  return (
    <div class="scroll-x">
      <svg viewBox={`0 0 ${width} ${height}`} role="img" aria-label={toWords(quantity, shown, lines)}>
        <rect width={width} height={height} rx="8" class="ground" />
        {toTicks(bottom, top, step).map((value) => (
          <g key={value}>
            <line x1={inset.left} x2={width - inset.right} y1={y(value)} y2={y(value)} class="grid" />
            <text x={inset.left - 8} y={y(value) + 5} class="tick end">
              {toNumberText(value, Math.max(0, -Math.floor(Math.log10(step))))}
            </text>
          </g>
        ))}
        {toTicks(low, high, toStep(high - low, 5)).map((speed) => (
          <text key={speed} x={x(speed)} y={height - 18} class="tick middle">
            {speed}
          </text>
        ))}
        <text x={width - inset.right} y={height - 4} class="tick end">
          rpm
        </text>
        <text x={12} y={19} class="tick">
          {toUnitWord(shown.unit)}
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
                points={points.map(({ speed, value }) => `${x(speed)},${y(value)}`).join(' ')}
                stroke-dasharray={dashes[i % dashes.length]}
              />
            )}
            {kind === 'hold' &&
              points.map(({ speed, value }) => <rect key={speed} x={x(speed) - 5} y={y(value) - 5} width="10" height="10" />)}
          </g>
        ))}
      </svg>
    </div>
  );
}

interface Line {
  number: number;
  points: Point[];
}

/** Closer than this two labels would lie on each other: they become one, `3, 7`. */
const labelHeight = 16;
const labelWidth = 40;

function toLabels(lines: Line[], x: (speed: number) => number, y: (value: number) => number) {
  const labels: { numbers: string; at: [number, number] }[] = [];
  for (const { number, points } of lines) {
    const last = points.at(-1);
    if (!last) continue;
    const at: [number, number] = [x(last.speed) + 9, y(last.value) + 5];
    const near = labels.find(({ at: [left, down] }) => Math.abs(left - at[0]) < labelWidth && Math.abs(down - at[1]) < labelHeight);
    if (near) near.numbers += `, ${number}`;
    else labels.push({ numbers: String(number), at });
  }
  return labels;
}

/** 1, 2 or 5 times a power of ten, so that a span has at most so many. */
function toStep(span: number, most: number): number {
  const power = 10 ** Math.floor(Math.log10(span / most));
  return ([1, 2, 5, 10].find((size) => span / (size * power) <= most) ?? 10) * power;
}

function toTicks(low: number, high: number, step: number): number[] {
  const first = Math.ceil(low / step - 1e-9);
  const count = Math.floor(high / step + 1e-9) - first + 1;
  return Array.from({ length: Math.max(0, count) }, (_, i) => (first + i) * step);
}

/** What the picture says, for who can't see it; the tables below have every number. */
function toWords({ name }: Quantity, { unit }: Shown, lines: Line[]): string {
  const each = lines.flatMap(({ number, points }) => {
    if (points.length === 0) return [];
    const most = points.reduce((best, point) => (point.value > best.value ? point : best));
    return [
      `pull ${number} at most ${toNumberText(most.value, Math.abs(most.value) < 10 ? 1 : 0)} ${toUnitWord(unit)} at ${most.speed} rpm`,
    ];
  });
  return `${name} by engine speed: ${each.join(', ')}`;
}
