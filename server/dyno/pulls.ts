// Finds full-load sweeps and steady holds in a recording, from throttle, engine speed and what loads the engine. Pure.
import type { Series, SeriesSet } from '../channels/series.ts';
import { findUnit, toUnit } from '../channels/unit.ts';
import { medianOf } from '../checks/watch.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import { findHolds } from './find-holds.ts';
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
export const fullThrottle = 0.9;
const throttleDipMaxS = 0.25;
const sweepMinS = 1.2;
/** On a very fast dyno a pull that is given up lasts less: it counts where a whole one of the recording began near it and rose as fast. */
const shortSweepMinS = 0.6;
const alikeStartShare = 0.15;
const alikeRateShare = 0.35;
const sweepRiseMinRpm = 1000;
const sweepRiseMinShare = 0.25;
/** Of a rise that ends with a lift: it was a pull, given up early. Without one it is a step from hold to hold. */
const abandonedRiseMinRpm = 500;
const liftedWithinS = 0.5;
const risingRpmPerS = 60;
/** Faster than this on the mean, the engine revs up with nothing to drive. */
const sweepRateMaxRpmPerS = 2500;
/** A rise that pauses for longer than this is a stepped test, not a sweep; so is one that stands, still at full throttle, and then goes on to more. */
const plateauMaxS = 1.5;
const goesOnShare = 0.03;
/** Windows of the slope, μs: the shortest whose noise leaves standing and rising apart. */
const slopeWindowsUs = [300_000, 600_000, 1_000_000];
const slopeNoiseMaxRpmPerS = risingRpmPerS / 4;
/** Near its highest speed, a sweep that rises no more for so long has arrived: it hangs at the limiter. */
const standsAfterS = 0.8;
const completeShare = 0.93;
const approachMaxS = 3;
/** An engine below this share of throttle and this manifold pressure idles, warms up or is broken in: no load point. */
const loadThrottleMin = 0.18;
const loadThrottleSure = 0.24;
const loadPressureMinKpa = 60;
/** What a throttle sensor that is no per cent and says no `min` and `max` must have been seen to span, to be read as closed to open. */
const seenSpans = new Map([
  ['V', 2.5],
  ['mV', 2500],
  ['deg', 55],
  ['', 0.7],
]);

/** Finds all pulls of a recording, in time order. */
export function findPulls(series: SeriesSet, vehicle: Vehicle): PullsFound {
  const roles = vehicle.engine?.roles;
  const notJudged: PullsFound['notJudged'] = [];
  if (!roles?.speed) notJudged.push({ what: 'pulls and holds', line: 'engine: { speed: <channel of engine speed> }' });
  if (!roles?.throttle) notJudged.push({ what: 'pulls and holds', line: 'engine: { throttle: <channel of throttle opening> }' });
  const speedSeries = roles?.speed ? series.get(roles.speed) : undefined;
  const throttleSeries = roles?.throttle ? series.get(roles.throttle) : undefined;
  if (!roles || !speedSeries || !throttleSeries) return { pulls: [], notJudged };
  const grid = (found: Series) => toTrace(found, series.startUs, series.endUs, stepUs);
  const gridOf = (name: string | undefined) => {
    const found = name === undefined ? undefined : series.get(name);
    return found && grid(found);
  };
  const throttle = toShare(grid(throttleSeries), throttleSeries.unit, findSignal(vehicle, roles.throttle as string));
  if (!throttle) {
    notJudged.push({ what: 'pulls and holds', line: `{ name: ${roles.throttle}, ..., min: <closed>, max: <full open> }` });
    return { pulls: [], notJudged };
  }
  const rawSpeed = grid(speedSeries);
  const engine: EngineTraces = {
    rawSpeed,
    speed: smoothed(rawSpeed, 160_000),
    throttle,
    pressure: absoluteKpa(series, vehicle),
    cut: gridOf(roles.cut),
    runningAboveRpm: vehicle.engine?.runningAboveRpm ?? 400,
  };
  const rises = findSweeps(engine);
  const loaded = (i: number) => isLoaded(engine, i) && !rises.some(({ from, to }) => toSeconds(i) >= from && toSeconds(i) <= to);
  const holds = findHolds(engine, loaded);
  const sweeps = markComplete(withoutStabs(withoutApproaches(rises, holds)));
  return { pulls: [...sweeps, ...holds].sort((a, b) => a.from - b.from), notJudged };
}

/** A rise that runs into a hold, well below where the pulls end, or quickly and with no pull beside it, was the way to that hold. */
function withoutApproaches(rises: readonly Pull[], holds: readonly Pull[]): Pull[] {
  const runsIntoHold = ({ to }: Pull) => holds.some(({ from }) => from >= to - stepUs / 1e6 && from - to < plateauMaxS);
  const pulls = rises.filter((rise) => !runsIntoHold(rise));
  const top = Math.max(0, ...pulls.map(({ speedTo }) => speedTo));
  return rises.filter((rise) => {
    if (pulls.includes(rise)) return true;
    return pulls.length > 0 ? rise.speedTo >= completeShare * top : rise.to - rise.from >= approachMaxS;
  });
}

/** Engine speed on the even grid of this file; undefined where the vehicle names none or it was never seen. */
export function traceSpeed(series: SeriesSet, vehicle: Vehicle): Trace | undefined {
  const channel = vehicle.engine?.roles.speed;
  const found = channel === undefined ? undefined : series.get(channel);
  return found && toTrace(found, series.startUs, series.endUs, stepUs);
}

/** Engine speed at a time of the recording, for ends that are set by hand. */
export function speedReader(series: SeriesSet, vehicle: Vehicle): (timeUs: number) => number | undefined {
  const speed = traceSpeed(series, vehicle);
  return (timeUs) => {
    const value = speed?.values[Math.round((timeUs - speed.startUs) / speed.stepUs)];
    return value === undefined || Number.isNaN(value) ? undefined : value;
  };
}

/** A sensor that says that it reads gauge pressure counts from here: what is asked is only whether the engine is loaded. */
const standardAtmosphereKpa = 101.325;

/** Manifold pressure in absolute kPa; undefined where none is named, or its unit is no pressure. */
function absoluteKpa(series: SeriesSet, vehicle: Vehicle): Trace | undefined {
  const channel = vehicle.engine?.roles.manifoldPressure;
  const found = channel === undefined ? undefined : series.get(channel);
  if (!found || channel === undefined || findUnit(found.unit)?.dimension !== 'pressure') return undefined;
  const from = findSignal(vehicle, channel)?.reference === 'gauge' ? standardAtmosphereKpa : 0;
  const trace = toTrace(found, series.startUs, series.endUs, stepUs);
  return { ...trace, values: trace.values.map((value) => toUnit(value, found.unit, 'kPa') + from) };
}

/** Everything on one time grid of 20 ms. */
export interface EngineTraces {
  rawSpeed: Trace;
  speed: Trace;
  /** 0 closed, 1 full open. */
  throttle: Trace;
  /** Manifold pressure, absolute kPa. */
  pressure: Trace | undefined;
  cut: Trace | undefined;
  runningAboveRpm: number;
}

function findSignal(vehicle: Vehicle, channel: string): Signal | undefined {
  return vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals)).find((signal) => signal.name === channel);
}

/** Closed and full open in the throttle signal's own unit; undefined when the file doesn't say. */
export function findThrottleScale(vehicle: Vehicle): { closed: number; open: number } | undefined {
  const channel = vehicle.engine?.roles.throttle;
  const signal = channel === undefined ? undefined : findSignal(vehicle, channel);
  const unit = signal?.unit ?? vehicle.derived.find(({ name }) => name === channel)?.unit;
  if (unit === '%') return { closed: 0, open: 100 };
  const { min, max } = signal ?? {};
  return min !== undefined && max !== undefined && max > min ? { closed: min, open: max } : undefined;
}

/**
 * Per cent are taken as they are; another unit is scaled by the span that the signal declares, or else by the span seen, where that is wide
 * enough to be the whole way of a throttle. Undefined when it can't be told.
 */
function toShare(trace: Trace, unit: string, signal: Signal | undefined): Trace | undefined {
  const scaled = (low: number, high: number) => ({ ...trace, values: trace.values.map((value) => (value - low) / (high - low)) });
  if (unit === '%') return scaled(0, 100);
  if (signal?.min !== undefined && signal.max !== undefined && signal.max > signal.min) return scaled(signal.min, signal.max);
  const [low, high] = extremes(trace.values.filter((value) => !Number.isNaN(value)));
  const least = seenSpans.get(unit);
  return least !== undefined && high - low >= least ? scaled(low, high) : undefined;
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
  const { slope, windowUs } = calmSlope(speed);
  const edge = toSteps(0.2 + windowUs / 2e6);
  const atFull = stretches(throttle.values.length, (i) => (throttle.values[i] as number) >= fullThrottle, toSteps(throttleDipMaxS));
  return atFull.flatMap(([first, last]) => {
    const rises = stretches(last - first + 1, (i) => (slope[first + i] as number) > risingRpmPerS, toSteps(plateauMaxS));
    const tops = rises.map(([from, to]) => highest(speed.values, first + from, first + to));
    return rises.flatMap(([from, to], k) => {
      const isLifted = first + to >= last - toSteps(liftedWithinS);
      if (!isLifted && tops.slice(k + 1).some((top) => top > (1 + goesOnShare) * (tops[k] as number))) return [];
      return toSweep(speed.values, first + from, first + to, edge, isLifted) ?? [];
    });
  });
}

/** Short rises count only beside a whole pull that they are like. */
function withoutStabs(rises: readonly Pull[]): Pull[] {
  const whole = rises.filter(({ from, to }) => to - from >= sweepMinS);
  return rises.filter((rise) => whole.includes(rise) || whole.some((other) => risesAlike(rise, other)));
}

/** Slope of speed, rpm/s, over the shortest window in which its noise (median distance from its own mean of a second) is small. */
function calmSlope(speed: Trace): { slope: Float64Array; windowUs: number } {
  for (const windowUs of slopeWindowsUs) {
    const slope = slopeOf(speed, windowUs);
    const mean = smoothed({ ...speed, values: slope }, 1_000_000).values;
    const off = slope.map((value, i) => Math.abs(value - (mean[i] as number)));
    // 1.4826 times the median is the standard deviation of normal noise.
    const noise = 1.4826 * (medianOf(off.filter((value) => value > 0)) ?? 0);
    if (noise <= slopeNoiseMaxRpmPerS) return { slope, windowUs };
  }
  const widestUs = Math.max(...slopeWindowsUs);
  return { slope: slopeOf(speed, widestUs), windowUs: widestUs };
}

function highest(values: Float64Array, from: number, to: number): number {
  return extremes(values.subarray(from, to + 1))[1];
}

const rateOf = ({ from, to, speedFrom, speedTo }: Pull) => (speedTo - speedFrom) / (to - from);

function risesAlike(sweep: Pull, whole: Pull): boolean {
  const near = (a: number, b: number, share: number) => Math.abs(a - b) <= share * b;
  return near(sweep.speedFrom, whole.speedFrom, alikeStartShare) && near(rateOf(sweep), rateOf(whole), alikeRateShare);
}

/** Trims a rise to its lowest and its highest speed; undefined when it is too short, too small or too fast to be a pull. `edge` is how far beyond `to` its highest may lie. */
function toSweep(speed: Float64Array, from: number, to: number, edge: number, isLifted: boolean): Pull | undefined {
  let top = from;
  for (let i = from; i <= Math.min(to + edge, speed.length - 1); i++) if ((speed[i] as number) > (speed[top] as number)) top = i;
  // Hanging at the limiter is not rising any more: the sweep ends where it first got there.
  const topSpeed = speed[top] as number;
  const end = arrivalAt(speed, from, top);
  let start = from;
  for (let i = from; i <= end; i++) if ((speed[i] as number) < (speed[start] as number)) start = i;
  const rise = topSpeed - (speed[start] as number);
  const needed =
    (isLifted ? abandonedRiseMinRpm : sweepRiseMinRpm) * Math.max(1, (sweepRiseMinShare * (speed[start] as number)) / sweepRiseMinRpm);
  const seconds = toSeconds(end - start);
  if (seconds < (isLifted ? shortSweepMinS : sweepMinS) || rise < needed || rise > sweepRateMaxRpmPerS * seconds) return undefined;
  return {
    kind: 'sweep',
    from: toSeconds(start),
    to: toSeconds(end),
    speedFrom: Math.round(speed[start] as number),
    speedTo: Math.round(topSpeed),
    complete: true,
  };
}

/** Where speed first got to its highest: within 0.3 % of it, or within 1.5 % where from then on it hardly rose for some time. */
function arrivalAt(speed: Float64Array, from: number, top: number): number {
  const topSpeed = speed[top] as number;
  const window = toSteps(standsAfterS);
  const highestAt = [from];
  for (let i = from + 1; i <= top; i++) {
    const before = highestAt.at(-1) as number;
    const highest = (speed[i] as number) > (speed[before] as number) ? i : before;
    highestAt.push(highest);
    if (topSpeed - (speed[highest] as number) <= Math.max(15, 0.003 * topSpeed)) return highest;
    const then = highestAt[highestAt.length - 1 - window];
    if (then === undefined || topSpeed - (speed[then] as number) > 0.015 * topSpeed) continue;
    if ((speed[highest] as number) - (speed[then] as number) < (risingRpmPerS / 2) * standsAfterS) return then;
  }
  return top;
}

/** Lifted well below the others: the reference is the second highest of three or more, so that one stray limiter hit sets no mark. */
function markComplete(sweeps: Pull[]): Pull[] {
  const tops = sweeps.map((sweep) => sweep.speedTo).sort((a, b) => b - a);
  const reference = tops.length >= 3 ? (tops[1] as number) : (tops[0] as number);
  return sweeps.map((sweep) => ({ ...sweep, complete: sweep.speedTo >= completeShare * reference }));
}

function isLoaded({ speed, throttle, pressure, runningAboveRpm }: EngineTraces, i: number): boolean {
  if (!((speed.values[i] as number) > runningAboveRpm)) return false;
  const opening = throttle.values[i] as number;
  if (!(opening >= loadThrottleMin)) return false;
  const load = pressure?.values[i];
  return load === undefined || Number.isNaN(load) || load >= loadPressureMinKpa || opening >= loadThrottleSure;
}
