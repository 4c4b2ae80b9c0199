// How slowly each exhaust probe follows: a first-order answer fitted to fuel cuts and other steps of its port, with a band. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, type Watched, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

/** Time constant, seconds, with its 95 % interval. */
export interface LagEstimate {
  tauS: number;
  low: number;
  high: number;
}

export interface ProbeLag extends LagEstimate {
  cylinder: number;
  channel: string;
  probe: string | null;
  /** Steps that it was read from. */
  steps: number;
  /** As the vehicle file says it. */
  fileS: { low: number; high: number } | null;
}

const windowUs = 4_000_000;
const samplesMin = 12;
/** A step has to stand this far out of the noise, and be at least so large. */
const noiseTimes = 8;
const stepMinK = 25;
const [tauMinS, tauMaxS] = [0.05, 8];
const gridSteps = 60;

/**
 * Fits T(t) = end + size × e^(−t/τ) to the samples behind a step by least squares; τ is searched, the other two follow by it.
 *
 * @param s Seconds behind the step, from 0 on. @param degC Readings, one each.
 * @returns Undefined when nothing moved, or τ can't be told within the window (its band reaches an end of the search).
 * Worked: 63.2 % of a step of 100 K after 0.8 s is τ = 0.8 s. Source: first-order response, y' = (T − y)/τ.
 */
export function fitLag(s: readonly number[], degC: readonly number[]): LagEstimate | undefined {
  if (s.length < samplesMin) return undefined;
  const at = (i: number) => tauMinS * (tauMaxS / tauMinS) ** (i / gridSteps);
  let best = 0;
  for (let i = 1; i <= gridSteps; i++) if (errorOf(s, degC, at(i)).square < errorOf(s, degC, at(best)).square) best = i;
  if (best === 0 || best === gridSteps) return undefined;
  const tauS = narrow((tau) => errorOf(s, degC, tau).square, at(best - 1), at(best + 1));
  const fit = errorOf(s, degC, tauS);
  const freedom = s.length - 3;
  const variance = fit.square / freedom;
  if (Math.abs(fit.size) < Math.max(stepMinK, noiseTimes * Math.sqrt(variance))) return undefined;
  // Linearised: the column of τ, less what end and size explain of it, says how well τ is known.
  const slope = s.map((t) => (fit.size * Math.exp(-t / tauS) * t) / tauS ** 2);
  const known = errorOf(s, slope, tauS).square;
  if (known <= 0) return undefined;
  const half = studentT.quantile(0.975, freedom) * Math.sqrt(variance / known);
  return tauS - half <= 0 || half > tauS ? undefined : { tauS, low: tauS - half, high: tauS + half };
}

/** Least squares of end and size for one τ: the sum of squares left, and the size. */
function errorOf(s: readonly number[], degC: readonly number[], tau: number): { square: number; size: number } {
  const n = s.length;
  let [meanX, meanY] = [0, 0];
  for (let i = 0; i < n; i++) {
    meanX += Math.exp(-(s[i] as number) / tau) / n;
    meanY += (degC[i] as number) / n;
  }
  let [xx, xy, yy] = [0, 0, 0];
  for (let i = 0; i < n; i++) {
    const x = Math.exp(-(s[i] as number) / tau) - meanX;
    const y = (degC[i] as number) - meanY;
    xx += x * x;
    xy += x * y;
    yy += y * y;
  }
  return xx > 0 ? { square: Math.max(0, yy - (xy * xy) / xx), size: xy / xx } : { square: yy, size: 0 };
}

/** Golden section. */
function narrow(cost: (x: number) => number, from: number, to: number): number {
  const ratio = (Math.sqrt(5) - 1) / 2;
  let [low, high] = [from, to];
  for (let i = 0; i < 40; i++) {
    const [a, b] = [high - ratio * (high - low), low + ratio * (high - low)];
    if (cost(a) < cost(b)) high = b;
    else low = a;
  }
  return (low + high) / 2;
}

/**
 * The lag of each probe from the fuel cuts of a recording. A cut is a step of the gas; its metal fades more slowly, so that the estimate
 * leans to the long side. Needs `engine: cut`.
 */
export function estimateLags(series: SeriesSet, vehicle: Vehicle): ProbeLag[] {
  const engine = vehicle.engine;
  const steps = findCuts(watch(series, engine?.roles.cut, ''), watch(series, engine?.roles.speed, 'rpm'), engine?.runningAboveRpm ?? 0);
  return (engine?.exhaustTemps ?? []).flatMap(({ cylinder, channel, probe, lagS }) => {
    const temp = watch(series, channel, 'degC', 'bad');
    const fits = temp ? steps.flatMap((step) => fitStep(temp, step) ?? []) : [];
    const joined = joinFits(fits);
    return joined ? [{ cylinder, channel, probe: probe ?? null, steps: fits.length, fileS: lagS ?? null, ...joined }] : [];
  });
}

interface Step {
  fromUs: number;
  toUs: number;
}

/** Cuts of a running engine that last long enough for a probe to follow. */
function findCuts(cut: Watched | undefined, speed: Watched | undefined, runningRpm: number): Step[] {
  if (!cut || !speed) return [];
  const cuts: Step[] = [];
  let since: number | undefined;
  for (let i = 1; i < cut.timeUs.length; i++) {
    const [was, is, at] = [cut.value[i - 1] !== 0, cut.value[i] !== 0, cut.timeUs[i] as number];
    if (is && !was) since = at;
    if (since === undefined || (is && i < cut.timeUs.length - 1)) continue;
    const turns = speed.value[firstAtOrAfter(speed.timeUs, at) - 1] ?? 0;
    if (at - since >= 1_200_000 && turns > runningRpm) cuts.push({ fromUs: since, toUs: Math.min(at, since + windowUs) });
    since = undefined;
  }
  return cuts;
}

/** The gas takes a moment to come: the first tenth of a second behind the cut is left out. */
const deadUs = 100_000;

function fitStep(temp: Watched, { fromUs, toUs }: Step): LagEstimate | undefined {
  const first = firstAtOrAfter(temp.timeUs, fromUs + deadUs);
  const end = firstAtOrAfter(temp.timeUs, toUs);
  const s: number[] = [];
  const degC: number[] = [];
  for (let i = first; i < end; i++) {
    s.push(((temp.timeUs[i] as number) - fromUs - deadUs) / 1e6);
    degC.push(temp.value[i] as number);
  }
  return fitLag(s, degC);
}

/** Several steps weighed by how well each knows τ; a band that covers how they differ, since lag falls with flow. */
function joinFits(fits: readonly LagEstimate[]): LagEstimate | undefined {
  if (fits.length === 0) return undefined;
  const weights = fits.map(({ low, high }) => 1 / ((high - low) / 2) ** 2);
  const total = weights.reduce((sum, weight) => sum + weight, 0);
  const tauS = fits.reduce((sum, fit, i) => sum + (weights[i] as number) * fit.tauS, 0) / total;
  const half = 1 / Math.sqrt(total);
  const low = Math.min(tauS - half, ...fits.map((fit) => fit.tauS));
  const high = Math.max(tauS + half, ...fits.map((fit) => fit.tauS));
  return { tauS, low, high };
}
