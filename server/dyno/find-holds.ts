// Finds steady load points: the longest stretches in which speed and throttle stand still under load. Pure.
import { medianOf } from '../checks/watch.ts';
import { type EngineTraces, fullThrottle, type Pull } from './pulls.ts';
import { smoothed, type Trace } from './trace.ts';

/** Common practice, no source. */
const holdMinS = 4;
const holdCompleteS = 5;
/** Span of speed over a whole hold, and of throttle. */
const speedSpanShare = 0.03;
const speedSpanMinRpm = 100;
const throttleSpan = 0.05;
/** A sensor's noise is no movement: spans are of means over so long. */
const calmUs = 400_000;
/** On the limiter speed goes up and down faster than a brake lets it: mean change of speed within a second, as a share. */
const hurryPerS = 0.06;
const hurryMinRpmPerS = 150;
/** The raw signal's noise of 20 rpm (standard deviation) alone goes 380 rpm/s up and down. */
const rawHurryMinRpmPerS = 450;
/** Of a signal that is noisier everywhere, so many times what its noise does. */
const hurryOverNoise = 1.6;
const wayStepUs = 60_000;
/** The ramp into a hold and out of it: speed is further than this from the median of the second that follows or went before. */
const edgeS = 1;
const edgeShare = 0.0075;
const edgeMinRpm = 25;
/** A cut within a hold, and this long around it, is none. */
const cutAroundS = 0.5;

/** Holds among the instants that are `loaded`, longest first found, in time order. */
export function findHolds(engine: EngineTraces, loaded: (i: number) => boolean): Pull[] {
  const { speed } = engine;
  const stepS = speed.stepUs / 1e6;
  const uncut = withoutCuts(engine, Math.round(cutAroundS / stepS));
  const calm = { speed: smoothed(engine.rawSpeed, calmUs), throttle: smoothed(engine.throttle, calmUs) };
  const noiseWay = noiseWayPerS(engine);
  const found: [number, number][] = [];
  const length = speed.values.length;
  for (let from = 0; from < length; from++) {
    if (!loaded(from) || !uncut(from)) continue;
    let to = from;
    while (to + 1 < length && loaded(to + 1) && uncut(to + 1)) to++;
    collect(calm, from, to, Math.round(holdMinS / stepS), found);
    from = to;
  }
  return found
    .filter(([from, to]) => !isHurried(engine, noiseWay, from, to))
    .map((ends) => withoutRamps(speed, ends))
    .filter(([from, to]) => (to - from) * stepS >= holdMinS)
    .map(([from, to]) => toHold(speed, from, to));
}

/** A stretch may begin and end up to its whole span within a ramp: that is neither its time nor its speed. */
function withoutRamps({ values, stepUs }: Trace, [from, to]: [number, number]): [number, number] {
  const second = Math.round((edgeS * 1e6) / stepUs);
  const isOff = (i: number, others: Float64Array) => {
    const usual = medianOf(others.filter((value) => !Number.isNaN(value)));
    return usual !== undefined && Math.abs((values[i] as number) - usual) > Math.max(edgeMinRpm, edgeShare * usual);
  };
  let [first, last] = [from, to];
  while (first < last - second && isOff(first, values.subarray(first + 1, first + second))) first++;
  while (last > first + second && isOff(last, values.subarray(last - second + 1, last))) last--;
  return [first, last];
}

/** What must stand still. */
type CalmTraces = Pick<EngineTraces, 'speed' | 'throttle'>;

function toHold(speed: Trace, from: number, to: number): Pull {
  const stepS = speed.stepUs / 1e6;
  const [low, high] = spanOf(speed.values, from, to);
  return {
    kind: 'hold',
    from: (from * speed.stepUs) / 1e6,
    to: (to * speed.stepUs) / 1e6,
    speedFrom: Math.round(low),
    speedTo: Math.round(high),
    complete: (to - from) * stepS >= holdCompleteS,
  };
}

function withoutCuts({ cut }: EngineTraces, around: number): (i: number) => boolean {
  if (!cut) return () => true;
  const { values } = cut;
  // Cuts up to each instant: none within a stretch when both ends have counted as many.
  const counts = new Uint32Array(values.length + 1);
  for (let i = 0; i < values.length; i++) counts[i + 1] = (counts[i] as number) + ((values[i] as number) > 0 ? 1 : 0);
  return (i) => counts[Math.max(0, i - around)] === counts[Math.min(values.length, i + around + 1)];
}

/** The longest steady stretch within [from, to], and then those before and behind it. */
function collect(engine: CalmTraces, from: number, to: number, least: number, found: [number, number][]): void {
  if (to - from < least) return;
  const best = longestSteady(engine, from, to);
  if (!best || best[1] - best[0] < least) return;
  collect(engine, from, best[0] - 1, least, found);
  found.push(best);
  collect(engine, best[1] + 1, to, least, found);
}

function longestSteady({ speed, throttle }: CalmTraces, from: number, to: number): [number, number] | undefined {
  const speeds = new SlidingSpan(speed.values);
  const throttles = new SlidingSpan(throttle.values);
  let best: [number, number] | undefined;
  let first = from;
  for (let i = from; i <= to; i++) {
    speeds.push(i);
    throttles.push(i);
    while (first < i && !(speeds.span <= speedSpanAt(speeds.high) && throttles.span <= throttleSpan)) {
      first++;
      speeds.dropBefore(first);
      throttles.dropBefore(first);
    }
    if (!best || i - first > best[1] - best[0]) best = [first, i];
  }
  return best;
}

const speedSpanAt = (rpm: number) => Math.max(speedSpanMinRpm, speedSpanShare * rpm);

/**
 * Whether speed goes up and down all the time, as on the limiter. Noise of the signal is smoothed away first; at full throttle, where a limiter
 * may be quicker than that, the raw signal is asked too.
 */
function isHurried({ rawSpeed, speed, throttle }: EngineTraces, noiseWay: number, from: number, to: number): boolean {
  const [, high] = spanOf(speed.values, from, to);
  if (wayPerS(speed, from, to) > Math.max(hurryMinRpmPerS, hurryPerS * high)) return true;
  const opening = medianOf(throttle.values.subarray(from, to + 1).filter((value) => !Number.isNaN(value))) ?? 1;
  return opening >= fullThrottle && wayPerS(rawSpeed, from, to) > Math.max(rawHurryMinRpmPerS, hurryPerS * high, hurryOverNoise * noiseWay);
}

/** How far the raw signal's noise alone goes up and down in a second: measured below full throttle, where no limiter is at work. */
function noiseWayPerS({ rawSpeed, speed, throttle, runningAboveRpm }: EngineTraces): number {
  const every = Math.max(1, Math.round(wayStepUs / rawSpeed.stepUs));
  const ways: number[] = [];
  for (let i = every; i < rawSpeed.values.length; i++) {
    const off = (at: number) => (rawSpeed.values[at] as number) - (speed.values[at] as number);
    const way = Math.abs(off(i) - off(i - every));
    if ((throttle.values[i] as number) < fullThrottle && (speed.values[i] as number) > runningAboveRpm && !Number.isNaN(way))
      ways.push(way);
  }
  // Of normal noise the mean distance is 1.183 times the median one; the median passes over the few stretches that do move.
  return ((medianOf(ways) ?? 0) * 1.183 * 1e6) / wayStepUs;
}

/** How far a trace goes up and down in a second, by steps of 60 ms. */
function wayPerS({ values, stepUs }: Trace, from: number, to: number): number {
  const every = Math.max(1, Math.round(wayStepUs / stepUs));
  let way = 0;
  for (let i = from + every; i <= to; i += every) {
    const change = (values[i] as number) - (values[i - every] as number);
    if (!Number.isNaN(change)) way += Math.abs(change);
  }
  return (way * 1e6) / ((to - from) * stepUs);
}

function spanOf(values: Float64Array, from: number, to: number): [low: number, high: number] {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  for (let i = from; i <= to; i++) {
    const value = values[i] as number;
    if (value < low) low = value;
    if (value > high) high = value;
  }
  return [low, high];
}

/** Lowest and highest of a window that only moves forward; NaN is passed over. */
class SlidingSpan {
  private readonly values: Float64Array;
  private lows: number[] = [];
  private highs: number[] = [];
  private lowAt = 0;
  private highAt = 0;

  constructor(values: Float64Array) {
    this.values = values;
  }

  push(i: number): void {
    const value = this.values[i] as number;
    if (Number.isNaN(value)) return;
    while (this.lows.length > this.lowAt && (this.values[this.lows.at(-1) as number] as number) >= value) this.lows.pop();
    while (this.highs.length > this.highAt && (this.values[this.highs.at(-1) as number] as number) <= value) this.highs.pop();
    this.lows.push(i);
    this.highs.push(i);
  }

  dropBefore(i: number): void {
    while (this.lowAt < this.lows.length && (this.lows[this.lowAt] as number) < i) this.lowAt++;
    while (this.highAt < this.highs.length && (this.highs[this.highAt] as number) < i) this.highAt++;
  }

  get high(): number {
    return this.highAt < this.highs.length ? (this.values[this.highs[this.highAt] as number] as number) : 0;
  }

  get span(): number {
    return this.lowAt < this.lows.length ? this.high - (this.values[this.lows[this.lowAt] as number] as number) : 0;
  }
}
