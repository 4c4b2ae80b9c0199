// Runs of a fuel pump on a resting engine, seen as rises of the fuel pressure delta, and the level that each settles at. Pure.
import type { Rest } from './resting-readings.ts';
import { firstAtOrAfter, heldFor, medianWithin, type Watched, watch } from './watch.ts';

export interface PrimeBout {
  /** Pressure begins to rise. */
  fromUs: number;
  /** It falls again, the next rise begins, or the recording ends. */
  toUs: number;
  peakKpa: number;
  /** Highest level that was held for a moment. */
  highestKpa: number;
  /** Undefined when it was still on its way when the pump stopped. */
  settledKpa: number | undefined;
}

/** Ripple of the pump and noise of the sensor are averaged over this. */
const smoothUs = 80_000;
const heldUs = 60_000;
/** A pressure that falls to less than this share of the running level: its pump has stopped. */
const stoppedShare = 0.88;
/** A level is steady or not over this, and over three samples at least. */
const steadyUs = 600_000;
/** A rail that holds pressure from before rises by little: by this share of what it lacks, and of its target at least. */
const ofLackShare = 0.5;
const leastRiseShare = 0.05;

/** Every rise of a set's delta between `rest.fromUs` and `rest.toUs`; a rail that still holds pressure from before is none. */
export function findPrimeBouts(delta: Watched, target: number, rest: Rest): PrimeBout[] {
  const { fromUs, toUs, limits } = rest;
  const { timeUs } = delta;
  const smooth = toSmooth(delta);
  const bouts: { fromUs: number; toUs: number }[] = [];
  let lowest = Number.POSITIVE_INFINITY;
  let top = 0;
  let running: { fromUs: number; toUs: number } | undefined;
  let sinceUs: number | undefined;
  for (let i = firstAtOrAfter(timeUs, fromUs); i < timeUs.length && (timeUs[i] as number) <= toUs; i++) {
    const at = timeUs[i] as number;
    const kpa = smooth[i] as number;
    const lack = ofLackShare * (target - lowest);
    const rise = Math.max(leastRiseShare * target, Math.min(limits.primeBeganShare * target, lack));
    const isHigh = running ? kpa < stoppedShare * Math.min(top, target) : kpa > lowest + rise;
    sinceUs = isHigh ? (sinceUs ?? at) : undefined;
    if (running) {
      top = Math.max(top, kpa);
      running.toUs = at;
      const stoodAt = keptBefore(delta, running.fromUs, at, limits.primeSteadyShare * target);
      if (stoodAt !== undefined && kpa > stoodAt + leastRiseShare * target) {
        // A rail that holds its pressure rises again when the pump runs again.
        running.toUs = at - smoothUs;
        running = { fromUs: at, toUs: at };
        bouts.push(running);
      }
    } else lowest = Math.min(lowest, kpa);
    if (sinceUs === undefined || at - sinceUs < heldUs) continue;
    if (running) {
      running.toUs = sinceUs;
      running = undefined;
      lowest = kpa;
    } else {
      running = { fromUs: sinceUs, toUs: at };
      bouts.push(running);
      top = kpa;
    }
    sinceUs = undefined;
  }
  return bouts.map((bout) => toBout(delta, target, bout, rest));
}

/** The level that it kept until just before now, within one run; undefined when it was on its way. */
function keptBefore(delta: Watched, fromUs: number, atUs: number, stepKpa: number): number | undefined {
  const [beginUs, halfUs, endUs] = [atUs - 2_000_000, atUs - 1_250_000, atUs - 500_000];
  if (beginUs < fromUs) return undefined;
  const early = medianWithin(delta, beginUs, halfUs - 1);
  const late = medianWithin(delta, halfUs, endUs);
  return early === undefined || late === undefined || Math.abs(late - early) > stepKpa ? undefined : late;
}

function toSmooth({ timeUs, value }: Watched): Float64Array {
  const smooth = new Float64Array(value.length);
  let from = 0;
  let to = 0;
  let sum = 0;
  for (let i = 0; i < value.length; i++) {
    const at = timeUs[i] as number;
    while (to < value.length && (timeUs[to] as number) <= at + smoothUs / 2) sum += value[to++] as number;
    while ((timeUs[from] as number) < at - smoothUs / 2) sum -= value[from++] as number;
    smooth[i] = sum / (to - from);
  }
  return smooth;
}

function toBout(delta: Watched, target: number, { fromUs, toUs }: { fromUs: number; toUs: number }, rest: Rest): PrimeBout {
  const { limits } = rest;
  const withinUs = limits.primeWithinS * 1e6;
  const all = between(delta, fromUs, Math.min(toUs, fromUs + withinUs));
  // Behind the pump's stop a rail that holds keeps what it has: no level that the pump brought it to.
  const stoppedUs = Math.min(toUs, pumpStopUs(rest, fromUs));
  const run = between(all, fromUs, stoppedUs);
  const max = (values: Float64Array) => values.reduce((a, b) => Math.max(a, b), Number.NEGATIVE_INFINITY);
  const atLast = stoppedUs - fromUs >= withinUs ? medianWithin(run, fromUs + withinUs - 1_000_000, fromUs + withinUs) : undefined;
  return {
    fromUs,
    toUs,
    peakKpa: max(all.value),
    highestKpa: max(toSmooth(all)),
    settledKpa: steadyLevel(run, limits.primeSteadyShare * target) ?? atLast,
  };
}

function between(watched: Watched, fromUs: number, toUs: number): Watched {
  const from = firstAtOrAfter(watched.timeUs, fromUs);
  const to = firstAtOrAfter(watched.timeUs, toUs + 1);
  return { ...watched, timeUs: watched.timeUs.subarray(from, to), value: watched.value.subarray(from, to) };
}

/** The last time that the battery was pulled down before it recovered; infinity where it never was, or nothing tells. */
function pumpStopUs({ series, vehicle, limits, toUs }: Rest, fromUs: number): number {
  const volts = watch(series, vehicle.engine?.roles.battery, 'V');
  const pulled = volts && medianWithin(volts, fromUs, fromUs + 500_000);
  if (!volts || pulled === undefined) return Number.POSITIVE_INFINITY;
  const high = pulled + (limits.pumpRanVolts * (vehicle.electrical.nominalV ?? 12)) / 12;
  const recovered = heldFor(volts, fromUs, toUs, 150_000, (value) => value > high);
  if (!recovered) return Number.POSITIVE_INFINITY;
  const before = firstAtOrAfter(volts.timeUs, recovered.fromUs) - 1;
  return Math.max(fromUs, volts.timeUs[before] ?? fromUs);
}

/** The highest level that it kept: between the two halves of a stretch it went on by less than `stepKpa`. */
function steadyLevel(run: Watched, stepKpa: number): number | undefined {
  const { timeUs } = run;
  let highest: number | undefined;
  for (let i = 1; i < timeUs.length; i++) {
    const atUs = timeUs[i] as number;
    const endUs = Math.max(atUs + steadyUs, timeUs[i + 2] ?? Number.POSITIVE_INFINITY);
    if (endUs > (timeUs[timeUs.length - 1] as number)) break;
    const halfUs = (atUs + endUs) / 2;
    const early = medianWithin(run, atUs, halfUs - 1) as number;
    const late = medianWithin(run, halfUs, endUs) as number;
    if (Math.abs(late - early) > stepKpa) continue;
    const level = medianWithin(run, atUs, endUs) as number;
    highest = Math.max(highest ?? level, level);
  }
  return highest;
}
