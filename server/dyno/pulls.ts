// Finds full-load sweeps and steady holds in a recording, from throttle, engine speed and what loads the engine. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import { slopeOf, smoothed, type Trace, toTrace } from './trace.ts';

/** A sweep or a hold. `from` and `to` are seconds from the recording's first frame; speeds in rpm. A contract (`pulls --json`). */
export interface Pull {
  kind: 'sweep' | 'hold';
  from: number;
  to: number;
  speedFrom: number;
  speedTo: number;
  /** Of a sweep: false when lifted well below where the others ended. A hold is complete once it has lasted its full time. */
  complete: boolean;
}

/** What the vehicle must say for pulls to be found. */
export interface PullsFound {
  pulls: Pull[];
  notJudged: { what: string; line: string }[];
}

const stepUs = 20_000;

/** Common practice, no source. */
const fullThrottle = 0.9;
const throttleDipMaxS = 0.25;
const sweepMinS = 1.5;
const sweepRiseMinRpm = 1000;
const sweepRiseMinShare = 0.25;
const risingRpmPerS = 60;
/** A rise that pauses for longer than this is a stepped test, not a sweep. */
const plateauMaxS = 1.5;
const completeShare = 0.93;
const holdMinS = 4;
const holdCompleteS = 5;
const holdSpeedShare = 0.02;
const holdSpeedMinRpm = 60;
const holdThrottleSpan = 0.03;
const holdPressureShare = 0.05;
/** An engine below this share of throttle and of atmospheric manifold pressure idles or warms up: no load point. */
const loadThrottleMin = 0.12;
const loadPressureMinKpa = 60;

/** Finds all pulls of a recording, in time order. */
export function findPulls(series: SeriesSet, vehicle: Vehicle): PullsFound {
  const roles = vehicle.engine?.roles;
  const notJudged: PullsFound['notJudged'] = [];
  if (!roles?.speed) notJudged.push({ what: 'pulls and holds', line: 'engine: { speed: <channel of engine speed> }' });
  if (!roles?.throttle) notJudged.push({ what: 'pulls and holds', line: 'engine: { throttle: <channel of throttle opening> }' });
  const speedSeries = roles?.speed ? series.get(roles.speed) : undefined;
  const throttleSeries = roles?.throttle ? series.get(roles.throttle) : undefined;
  if (!roles || !speedSeries || !throttleSeries) return { pulls: [], notJudged };
  const grid = (name: string | undefined): Trace | undefined => {
    const found = name === undefined ? undefined : series.get(name);
    return found && toTrace(found, series.startUs, series.endUs, stepUs);
  };
  const engine: EngineTraces = {
    speed: smoothed(toTrace(speedSeries, series.startUs, series.endUs, stepUs), 160_000),
    throttle: toShare(grid(roles.throttle) as Trace, findSignal(vehicle, roles.throttle as string)),
    pressure: grid(roles.manifoldPressure),
    runningAboveRpm: vehicle.engine?.runningAboveRpm ?? 400,
  };
  const sweeps = markComplete(findSweeps(engine));
  const holds = findHolds(engine, sweeps);
  return { pulls: [...sweeps, ...holds].sort((a, b) => a.from - b.from), notJudged };
}

interface EngineTraces {
  speed: Trace;
  /** 0 to 1. */
  throttle: Trace;
  pressure: Trace | undefined;
  runningAboveRpm: number;
}

function findSignal(vehicle: Vehicle, channel: string): Signal | undefined {
  return vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals)).find((signal) => signal.name === channel);
}

/** Percent are taken as they are; another unit is scaled by the span that the signal declares, or else by the span seen. */
function toShare(trace: Trace, signal: Signal | undefined): Trace {
  if (!signal || signal.unit === '%') return { ...trace, values: trace.values.map((value) => value / 100) };
  const seen = trace.values.filter((value) => !Number.isNaN(value));
  const low = signal.min ?? Math.min(...extremes(seen));
  const high = signal.max ?? Math.max(...extremes(seen));
  return { ...trace, values: trace.values.map((value) => (value - low) / (high - low)) };
}

function extremes(values: Float64Array): [number, number] {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (const value of values) {
    if (value < low) low = value;
    if (value > high) high = value;
  }
  return [low, high];
}

/** Index ranges [from, to] in which `holds` is true, gaps up to `bridge` steps closed. */
function stretches(length: number, holds: (i: number) => boolean, bridge: number): [number, number][] {
  const found: [number, number][] = [];
  for (let i = 0; i < length; i++) {
    if (!holds(i)) continue;
    const last = found[found.length - 1];
    if (last && i - last[1] <= bridge + 1) last[1] = i;
    else found.push([i, i]);
  }
  return found;
}

const toSteps = (seconds: number) => Math.round((seconds * 1e6) / stepUs);
const toSeconds = (steps: number) => (steps * stepUs) / 1e6;

function findSweeps(engine: EngineTraces): Pull[] {
  const { speed, throttle } = engine;
  const slope = slopeOf(speed, 300_000);
  const atFull = stretches(throttle.values.length, (i) => (throttle.values[i] as number) >= fullThrottle, toSteps(throttleDipMaxS));
  return atFull.flatMap(([first, last]) => {
    const rises = stretches(last - first + 1, (i) => (slope[first + i] as number) > risingRpmPerS, toSteps(plateauMaxS));
    return rises.flatMap(([from, to]) => toSweep(speed.values, first + from, first + to) ?? []);
  });
}

/** Trims a rise to its lowest and its highest speed; undefined when it is too short or too small for a pull. */
function toSweep(speed: Float64Array, from: number, to: number): Pull | undefined {
  let top = from;
  for (let i = from; i <= Math.min(to + toSteps(0.3), speed.length - 1); i++) if ((speed[i] as number) > (speed[top] as number)) top = i;
  // Hanging at the limiter is not rising any more: the sweep ends where it first got there.
  const topSpeed = speed[top] as number;
  let end = from;
  while (end < top && (speed[end] as number) < topSpeed - Math.max(15, 0.003 * topSpeed)) end++;
  let start = from;
  for (let i = from; i <= end; i++) if ((speed[i] as number) < (speed[start] as number)) start = i;
  const rise = topSpeed - (speed[start] as number);
  const needed = Math.max(sweepRiseMinRpm, sweepRiseMinShare * (speed[start] as number));
  if (toSeconds(end - start) < sweepMinS || rise < needed) return undefined;
  return {
    kind: 'sweep',
    from: toSeconds(start),
    to: toSeconds(end),
    speedFrom: Math.round(speed[start] as number),
    speedTo: Math.round(topSpeed),
    complete: true,
  };
}

/** Lifted well below the others: the reference is the second highest of three or more, so that one stray limiter hit sets no mark. */
function markComplete(sweeps: Pull[]): Pull[] {
  const tops = sweeps.map((sweep) => sweep.speedTo).sort((a, b) => b - a);
  const reference = tops.length >= 3 ? (tops[1] as number) : (tops[0] as number);
  return sweeps.map((sweep) => ({ ...sweep, complete: sweep.speedTo >= completeShare * reference }));
}

function findHolds(engine: EngineTraces, sweeps: readonly Pull[]): Pull[] {
  const { speed } = engine;
  const length = speed.values.length;
  const inSweep = (i: number) => sweeps.some((sweep) => toSeconds(i) >= sweep.from && toSeconds(i) <= sweep.to);
  const loaded = (i: number) => isLoaded(engine, i) && !inSweep(i);
  const holds: Pull[] = [];
  let from = 0;
  while (from < length) {
    if (!loaded(from)) {
      from++;
      continue;
    }
    const to = steadyUntil(engine, from, loaded);
    if (toSeconds(to - from) >= holdMinS) {
      const [low, high] = extremes(speed.values.subarray(from, to + 1));
      holds.push({
        kind: 'hold',
        from: toSeconds(from),
        to: toSeconds(to),
        speedFrom: Math.round(low),
        speedTo: Math.round(high),
        complete: toSeconds(to - from) >= holdCompleteS,
      });
      from = to + 1;
    } else from += Math.max(1, Math.min(toSteps(0.1), to - from));
  }
  return holds;
}

function isLoaded({ speed, throttle, pressure, runningAboveRpm }: EngineTraces, i: number): boolean {
  if (!((speed.values[i] as number) > runningAboveRpm)) return false;
  const opening = throttle.values[i] as number;
  if (Number.isNaN(opening)) return false;
  const load = pressure?.values[i];
  return (
    opening >= loadThrottleMin && (load === undefined || Number.isNaN(load) || load >= loadPressureMinKpa || opening >= 2 * loadThrottleMin)
  );
}

/** How far speed, throttle and manifold pressure stay within their bands when a hold begins at `from`. */
function steadyUntil(engine: EngineTraces, from: number, loaded: (i: number) => boolean): number {
  const { speed, throttle, pressure } = engine;
  const bands = [
    new Band(speed.values, Math.max(holdSpeedMinRpm, holdSpeedShare * (speed.values[from] as number)) * 2),
    new Band(throttle.values, holdThrottleSpan * 2),
  ];
  if (pressure) bands.push(new Band(pressure.values, Math.max(6, holdPressureShare * 2 * (pressure.values[from] as number))));
  let i = from;
  while (i < speed.values.length && loaded(i) && bands.every((band) => band.take(i))) i++;
  return i - 1;
}

/** Keeps the span of the values taken so far within `spanMax`. */
class Band {
  private low = Number.POSITIVE_INFINITY;
  private high = Number.NEGATIVE_INFINITY;
  private readonly values: Float64Array;
  private readonly spanMax: number;

  constructor(values: Float64Array, spanMax: number) {
    this.values = values;
    this.spanMax = spanMax;
  }

  take(i: number): boolean {
    const value = this.values[i] as number;
    if (Number.isNaN(value)) return true;
    this.low = Math.min(this.low, value);
    this.high = Math.max(this.high, value);
    return this.high - this.low <= this.spanMax;
  }
}
