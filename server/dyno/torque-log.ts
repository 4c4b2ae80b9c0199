// Torque or power from a dyno's own log: read from CSV text, and laid on a session's time by the trace of engine speed. Pure.
import { powerKw } from './corrected-power.ts';
import type { Trace } from './trace.ts';

/** Columns in SI; an absent one is not in the log. `timeS` counts as the log does. */
export interface TorqueLog {
  timeS: number[];
  speedRpm: number[];
  torqueNm?: number[];
  powerKw?: number[];
}

/** Torque of a row, Nm; from power where the log has no torque, undefined where that can't be told at standstill. */
export function torqueOf({ speedRpm, torqueNm, powerKw: power }: TorqueLog, row: number): number | undefined {
  if (torqueNm) return torqueNm[row];
  const [kw, rpm] = [power?.[row], speedRpm[row]];
  return kw === undefined || rpm === undefined || rpm <= 0 ? undefined : kw / powerKw(1, rpm);
}

export interface LogProblem {
  /** Line of the text, from 1. */
  line: number;
  say: string;
}

const newtonMetresPerLbft = 1.3558179483;
const kilowattsPerHp = 0.74569987158;

/** By heading in lower case, unit in brackets or behind; factor to SI. */
const columns: { key: keyof TorqueLog; is: RegExp; units: [RegExp, number][] }[] = [
  {
    key: 'timeS',
    is: /^time\b|^t\b/,
    units: [
      [/\bms\b/, 0.001],
      [/\bmin\b/, 60],
      [/./, 1],
    ],
  },
  { key: 'speedRpm', is: /\b(engine.?speed|speed|rpm)\b/, units: [[/./, 1]] },
  {
    key: 'torqueNm',
    is: /\btorque\b/,
    units: [
      [/lb.?.?ft|ft.?.?lb/, newtonMetresPerLbft],
      [/./, 1],
    ],
  },
  {
    key: 'powerKw',
    is: /\bpower\b/,
    units: [
      [/\bhp\b/, kilowattsPerHp],
      [/\bkw\b/, 1],
      [/\bw\b/, 0.001],
      [/./, 1],
    ],
  },
];

/** Reads a log with a heading line; `,`, `;` or tabs between columns, and a decimal comma where `;` or tabs separate. */
export function parseTorqueLog(text: string): { log: TorqueLog | undefined; problems: LogProblem[] } {
  const lines = text.split(/\r?\n/);
  const heading = lines[0] ?? '';
  const separator = heading.includes(';') ? ';' : heading.includes('\t') ? '\t' : ',';
  const names = heading.split(separator).map((name) => name.trim().replace(/^"|"$/g, '').toLowerCase().replaceAll('_', ' '));
  const found = columns.flatMap(({ key, is, units }) => {
    const at = names.findIndex((name) => is.test(name));
    const factor = at < 0 ? 1 : (units.find(([unit]) => unit.test(names[at] as string))?.[1] ?? 1);
    return at < 0 ? [] : [{ key, at, factor }];
  });
  const has = (key: keyof TorqueLog) => found.some((column) => column.key === key);
  if (!has('timeS') || !has('speedRpm') || !(has('torqueNm') || has('powerKw')))
    return { log: undefined, problems: [{ line: 1, say: 'the first line must name time, engine speed and torque or power' }] };
  const log: TorqueLog = { timeS: [], speedRpm: [] };
  const problems: LogProblem[] = [];
  for (const [i, line] of lines.entries()) {
    if (i === 0 || line.trim() === '') continue;
    const cells = line.split(separator).map((cell) => (separator === ',' ? cell : cell.replace(',', '.')).trim());
    const values = found.map(({ at, factor }) => (cells[at] === undefined || cells[at] === '' ? Number.NaN : Number(cells[at]) * factor));
    if (values.some(Number.isNaN)) {
      problems.push({ line: i + 1, say: `no number in: ${line.slice(0, 60)}` });
      continue;
    }
    for (const [k, { key }] of found.entries()) {
      const column = log[key] ?? [];
      log[key] = column;
      column.push(values[k] as number);
    }
  }
  return { log, problems };
}

export interface Alignment {
  /** Session time of the log's time 0, seconds from the trace's start. */
  offsetS: number;
  /** Root mean square of the difference in speed where both have one, rpm. */
  rmsRpm: number;
}

const leastOverlapS = 2;
const rmsMaxShare = 0.03;

/**
 * Finds where a log lies on a session: the shift at which the two traces of engine speed differ least. Undefined when even there they differ by more
 * than 3 % of the log's speed, or when nothing in the log moves, so that every shift would fit.
 */
export function alignBySpeed(log: TorqueLog, speed: Trace): Alignment | undefined {
  const stepS = speed.stepUs / 1e6;
  const grid = resampled(log, stepS);
  const span = Math.max(...grid) - Math.min(...grid);
  if (grid.length * stepS < leastOverlapS || span < 200) return undefined;
  let best: { shift: number; rms: number } | undefined;
  const coarse = Math.max(1, Math.round(0.1 / stepS));
  for (let shift = -grid.length + 1; shift < speed.values.length; shift += coarse) best = better(best, grid, speed, shift, stepS);
  if (!best) return undefined;
  const near = best.shift;
  for (let shift = near - coarse; shift <= near + coarse; shift++) best = better(best, grid, speed, shift, stepS);
  const mean = grid.reduce((sum, value) => sum + value, 0) / grid.length;
  if (!best || best.rms > rmsMaxShare * mean) return undefined;
  return { offsetS: best.shift * stepS - (log.timeS[0] as number), rmsRpm: best.rms };
}

/** At least 80 % of the log must lie on the trace, so that a short overlap at its end can't fit by chance. */
function better(best: { shift: number; rms: number } | undefined, grid: readonly number[], speed: Trace, shift: number, stepS: number) {
  let square = 0;
  let count = 0;
  for (let i = 0; i < grid.length; i++) {
    const value = speed.values[shift + i];
    if (value === undefined || Number.isNaN(value)) continue;
    square += (value - (grid[i] as number)) ** 2;
    count++;
  }
  if (count * stepS < leastOverlapS || count < 0.8 * grid.length) return best;
  const rms = Math.sqrt(square / count);
  return !best || rms < best.rms ? { shift, rms } : best;
}

/** Speed of the log on an even grid, straight between its rows. */
function resampled({ timeS, speedRpm }: TorqueLog, stepS: number): number[] {
  const [first, last] = [timeS[0] ?? 0, timeS[timeS.length - 1] ?? 0];
  const values: number[] = [];
  let next = 1;
  for (let t = first; t <= last + 1e-9; t += stepS) {
    while (next < timeS.length - 1 && (timeS[next] as number) < t) next++;
    const [t0, t1] = [timeS[next - 1] ?? first, timeS[next] ?? last];
    const share = t1 > t0 ? (t - t0) / (t1 - t0) : 0;
    values.push((speedRpm[next - 1] ?? 0) + share * ((speedRpm[next] ?? 0) - (speedRpm[next - 1] ?? 0)));
  }
  return values;
}
