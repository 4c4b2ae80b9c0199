// The functions of formulas: how many arguments each takes, which must be plain numbers, and the closure it becomes.

import { formulaWindowS } from '../limits.ts';
import { Curve } from './curve.ts';
import { gasTemperature } from './engine-formulas.ts';
import type { Evaluate, Evaluation, Memory } from './evaluation.ts';
import { worth } from './evaluation.ts';
import { fromPlain, toPlain } from './plain-numbers.ts';
import { SampleWindow } from './sample-window.ts';
import { type ThermocoupleType, thermocoupleTemperature } from './thermocouple.ts';

/** What a function's closure is built from. */
export interface Build {
  evaluation: Evaluation;
  arguments: Evaluate[];
  /** Values of the arguments that are plain numbers, in seconds where they are times; undefined for the others. */
  constants: (number | undefined)[];
  /** With `interpolate`: the table's points. */
  table: readonly (readonly [x: number, y: number])[];
  /** Time of the newest sample among the channels that the arguments use, microseconds. */
  newestUs: () => number;
  /** Keeps a state with the formula. */
  remember<T extends Memory>(memory: T): T;
}

export interface FormulaFunction {
  /** How it is written, for messages and documentation. */
  signature: string;
  least: number;
  most: number;
  /** Arguments that must be plain positive numbers: seconds, unless a unit of time stands behind. Index → greatest. */
  seconds?: ReadonlyMap<number, number>;
  build(build: Build): Evaluate;
}

const many = 64;
const window = (index: number) => new Map([[index, formulaWindowS]]);

/** All functions by name; a Map, so that no name reaches anything else. `in`'s conversion is built by the compiler, which knows units. */
export const formulaFunctions: ReadonlyMap<string, FormulaFunction> = new Map<string, FormulaFunction>([
  ['min', { signature: 'min(a, b, ...)', least: 1, most: many, build: overAll(leastOf) }],
  ['max', { signature: 'max(a, b, ...)', least: 1, most: many, build: overAll(greatestOf) }],
  ['mean', { signature: 'mean(a, b, ...)', least: 1, most: many, build: buildMean }],
  ['median', { signature: 'median(a, b, ...)', least: 1, most: many, build: overAll((values) => medianOfSorted(values.sort())) }],
  [
    'spread',
    {
      signature: 'spread(a, b, ...)',
      least: 2,
      most: many,
      build: overAll((values) => greatestOf(values) - leastOf(values)),
    },
  ],
  ['count_true', { signature: 'count_true(c, d, ...)', least: 1, most: many, build: buildCountTrue }],
  ['abs', unary('abs(x)', Math.abs)],
  ['sqrt', unary('sqrt(x)', Math.sqrt)],
  ['exp', unary('exp(x)', Math.exp)],
  ['log', unary('log(x)', Math.log)],
  ['round', unary('round(x)', Math.round)],
  ['floor', unary('floor(x)', Math.floor)],
  ['ceil', unary('ceil(x)', Math.ceil)],
  ['clamp', { signature: 'clamp(x, low, high)', least: 3, most: 3, build: buildClamp }],
  ['if', { signature: 'if(condition, then, else)', least: 3, most: 3, build: buildIf }],
  ['is_good', { signature: 'is_good(x)', least: 1, most: 1, build: buildIsGood }],
  ['in', { signature: 'in(x, unit)', least: 2, most: 2, build: (b) => b.arguments[0] as Evaluate }],
  ['interpolate', { signature: 'interpolate(table, x)', least: 2, most: 2, build: buildInterpolate }],
  ['rate', { signature: 'rate(x, window)', least: 1, most: 2, seconds: window(1), build: buildRate }],
  ['smooth', { signature: 'smooth(x, time)', least: 2, most: 2, seconds: window(1), build: buildSmooth }],
  ['hold', { signature: 'hold(x, time)', least: 2, most: 2, seconds: window(1), build: buildHold }],
  ['time_while', { signature: 'time_while(condition)', least: 1, most: 1, build: buildTimeWhile }],
  [
    'lag_corrected',
    {
      signature: 'lag_corrected(x, lag, window)',
      least: 2,
      most: 3,
      seconds: new Map([...window(1), ...window(2)]),
      build: buildLagCorrected,
    },
  ],
  ['thermocouple_j', thermocouple('J')],
  ['thermocouple_k', thermocouple('K')],
  ['thermocouple_n', thermocouple('N')],
  ['thermocouple_t', thermocouple('T')],
]);

/** Window of `rate` and `lag_corrected` where none is given: at 1 s of lag the estimate's noise is 1.9 times the reading's. */
export const slopeWindowDefaultS = 0.5;

function unary(signature: string, of: (x: number) => number): FormulaFunction {
  return {
    signature,
    least: 1,
    most: 1,
    build: ({ evaluation, arguments: [x] }) => {
      const inner = x as Evaluate;
      return () => evaluation.finite(of(inner()));
    },
  };
}

function overAll(of: (values: Float64Array) => number): FormulaFunction['build'] {
  return ({ evaluation, arguments: parts }) => {
    const values = new Float64Array(parts.length);
    return () => {
      for (let i = 0; i < parts.length; i++) values[i] = (parts[i] as Evaluate)();
      return evaluation.finite(of(values));
    };
  };
}

function leastOf(values: Float64Array): number {
  let least = values[0] as number;
  for (let i = 1; i < values.length; i++) least = Math.min(least, values[i] as number);
  return least;
}

function greatestOf(values: Float64Array): number {
  let greatest = values[0] as number;
  for (let i = 1; i < values.length; i++) greatest = Math.max(greatest, values[i] as number);
  return greatest;
}

/** Middle of ascending numbers; of an even count the mean of the two in the middle. */
export function medianOfSorted(sorted: ArrayLike<number>): number {
  const half = sorted.length >> 1;
  const upper = sorted[half] as number;
  return sorted.length % 2 === 1 ? upper : ((sorted[half - 1] as number) + upper) / 2;
}

function buildMean({ evaluation, arguments: parts }: Build): Evaluate {
  return () => {
    let sum = 0;
    for (const part of parts) sum += part();
    return evaluation.finite(sum / parts.length);
  };
}

function buildCountTrue({ arguments: parts }: Build): Evaluate {
  return () => {
    let count = 0;
    for (const part of parts) if (part() !== 0) count++;
    return count;
  };
}

function buildClamp({ evaluation, arguments: [x, low, high] }: Build): Evaluate {
  return () => {
    const value = (x as Evaluate)();
    const least = (low as Evaluate)();
    const most = (high as Evaluate)();
    if (least > most) return evaluation.noResult();
    return Math.min(Math.max(value, least), most);
  };
}

/** Kleene: an unknown condition has no result; of the branch that isn't taken nothing matters. All three run, for their states' sake. */
function buildIf({ evaluation, arguments: [condition, then, otherwise] }: Build): Evaluate {
  return () => {
    const before = evaluation.worst;
    evaluation.worst = 0;
    const holds = (condition as Evaluate)() !== 0;
    const asked = evaluation.worst;
    evaluation.worst = 0;
    const yes = (then as Evaluate)();
    const yesWorst = evaluation.worst;
    evaluation.worst = 0;
    const no = (otherwise as Evaluate)();
    const taken = holds ? yesWorst : evaluation.worst;
    evaluation.worst = Math.max(before, asked > worth.outOfRange ? asked : Math.max(asked, taken));
    return holds ? yes : no;
  };
}

function buildIsGood({ evaluation, arguments: [x] }: Build): Evaluate {
  return () => {
    const before = evaluation.worst;
    evaluation.worst = 0;
    (x as Evaluate)();
    const good = evaluation.worst <= worth.outOfRange;
    evaluation.worst = before;
    return good ? 1 : 0;
  };
}

/** Straight lines between points, the end values beyond them. Worked: [[0, 70], [3000, 200]] at 1500 is 135. */
function buildInterpolate({ arguments: [, x], table }: Build): Evaluate {
  const curve = new Curve(table);
  return () => curve.at((x as Evaluate)());
}

// --- functions with a state: they go by their inputs' sample times, and forget when an input is bad -----------------------------------

/** Runs the argument on its own; returns its value, or undefined (state forgotten) when it is bad. `worst` includes it afterwards. */
function watched(evaluation: Evaluation, part: Evaluate, memory: Memory): number | undefined {
  const before = evaluation.worst;
  evaluation.worst = 0;
  const value = part();
  const bad = evaluation.worst > worth.outOfRange;
  if (evaluation.worst < before) evaluation.worst = before;
  if (!bad) return value;
  memory.reset();
  return undefined;
}

function buildRate({ evaluation, arguments: [x], constants, newestUs, remember }: Build): Evaluate {
  const samples = remember(new SampleWindow(constants[1] ?? slopeWindowDefaultS));
  return () => {
    const value = watched(evaluation, x as Evaluate, samples);
    if (value === undefined) return 0;
    samples.add(newestUs(), value);
    const slope = samples.slope();
    return slope === undefined ? evaluation.noResult() : evaluation.finite(slope);
  };
}

function buildLagCorrected({ evaluation, arguments: [x], constants, newestUs, remember }: Build): Evaluate {
  const lagS = constants[1] as number;
  const samples = remember(new SampleWindow(constants[2] ?? slopeWindowDefaultS));
  return () => {
    const value = watched(evaluation, x as Evaluate, samples);
    if (value === undefined) return 0;
    samples.add(newestUs(), value);
    const slope = samples.slope();
    return slope === undefined ? evaluation.noResult() : evaluation.finite(gasTemperature(value, lagS, slope));
  };
}

function buildHold({ evaluation, arguments: [x], constants, newestUs, remember }: Build): Evaluate {
  const samples = remember(new SampleWindow(constants[1] as number));
  return () => {
    const value = watched(evaluation, x as Evaluate, samples);
    if (value === undefined) return 0;
    samples.add(newestUs(), value);
    return samples.greatest();
  };
}

/** Two numbers that outlive an evaluation: a time (-1: none yet) and a value. */
class TimedValue implements Memory {
  timeUs = -1;
  value = 0;
  reset(): void {
    this.timeUs = -1;
    this.value = 0;
  }
  save(): unknown {
    return toPlain([this.timeUs, this.value]);
  }
  restore(saved: unknown): void {
    [this.timeUs, this.value] = fromPlain(saved) as [number, number];
  }
}

/** First-order low pass: y += (1 - exp(-dt / time)) × (x - y); the first sample sets it. */
function buildSmooth({ evaluation, arguments: [x], constants, newestUs, remember }: Build): Evaluate {
  const timeConstantUs = (constants[1] as number) * 1e6;
  const last = remember(new TimedValue());
  return () => {
    const value = watched(evaluation, x as Evaluate, last);
    if (value === undefined) return 0;
    const nowUs = newestUs();
    if (last.timeUs < 0) last.value = value;
    else if (nowUs > last.timeUs) last.value += -Math.expm1((last.timeUs - nowUs) / timeConstantUs) * (value - last.value);
    last.timeUs = Math.max(last.timeUs, nowUs);
    return evaluation.finite(last.value);
  };
}

/** Seconds since the condition became true, 0 while it is false. */
function buildTimeWhile({ evaluation, arguments: [condition], newestUs, remember }: Build): Evaluate {
  const began = remember(new TimedValue());
  return () => {
    const holds = watched(evaluation, condition as Evaluate, began);
    if (holds === undefined) return 0;
    if (holds === 0) {
      began.reset();
      return 0;
    }
    const nowUs = newestUs();
    if (began.timeUs < 0) began.timeUs = nowUs;
    return (nowUs - began.timeUs) / 1e6;
  };
}

function thermocouple(type: ThermocoupleType): FormulaFunction {
  return {
    signature: `thermocouple_${type.toLowerCase()}(millivolts, cold_junction)`,
    least: 1,
    most: 2,
    build: ({ evaluation, arguments: [millivolts, cold] }) => {
      return () => {
        const measured = (millivolts as Evaluate)();
        const temperature = thermocoupleTemperature(type, measured, cold === undefined ? 0 : cold());
        return temperature === undefined ? evaluation.noResult() : temperature;
      };
    },
  };
}
