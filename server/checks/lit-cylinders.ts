// Which cylinders are lit after a start: level and trend of each exhaust temperature against the others. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { LimitsOf } from './usual-limits.ts';
import { firstAtOrAfter, heldFor, medianOf, medianWithin, slopeWithin, valuesWithin, type Watched, watch } from './watch.ts';

/** One cylinder that does not burn, or burns late or weakly. */
export interface UnlitCylinder {
  cylinder: number;
  channel: string;
  kind: 'cold' | 'lazy';
  /** When it was certain. */
  atUs: number;
  /** How much less it rose than the others, K. */
  behindK: number;
  confidence: number;
}

type StartLimits = LimitsOf<'first-start'>;

export interface LitJudgement {
  unlit: UnlitCylinder[];
  lit: { cylinder: number; channel: string }[];
  /** Cylinders whose probe gives no number, or that have none. */
  unknown: { cylinder: number; why: string }[];
  /** Probes that read colder than anything around while the exhaust warms them. */
  reversed: { cylinder: number; channel: string; atUs: number; degC: number }[];
}

const stepUs = 100_000;
const lateMeanUs = 2_000_000;
/** A lazy one rises too, but lags the others over the first seconds, or ends below them. */
const lazyFromUs = 2_000_000;
const lazyToUs = 6_000_000;
const lastLookUs = 40_000_000;

interface Port {
  cylinder: number;
  channel: string;
  temp: Watched;
  /** Before the first fire. */
  base: number;
}

/**
 * Judges a run from `firedUs` to `endUs`. The first look is at how much each port rose since the fire beside the median of the others: a
 * dead one stays or falls while the others rise, from cold as from a hot restart. The late look is at levels. A cylinder that was called
 * cold and then caught up is lazy. A shared manifold warms a dead port: what the first look leaves open is decided later, by level.
 */
export function judgeLit(series: SeriesSet, vehicle: Vehicle, limits: StartLimits, firedUs: number, endUs: number): LitJudgement {
  const judgement: LitJudgement = { unlit: [], lit: [], unknown: [], reversed: [] };
  const ports = findPorts(series, vehicle, limits, firedUs, endUs, judgement);
  const until = Math.min(endUs, firedUs + lastLookUs);
  const isCut = findCuts(watch(series, vehicle.engine?.roles.cut, ''), firedUs, limits.afterCutS * 1e6);
  const [alone] = ports;
  if (alone && ports.length === 1 && alone.base > limits.aloneColdC) {
    judgement.unknown.push({ cylinder: alone.cylinder, why: 'one probe on a warm engine has none to be compared with' });
    return judgement;
  }
  for (const port of ports) {
    const others = ports.filter((other) => other !== port);
    const look = { port, others, firedUs, until, isCut, limits };
    const early = lookEarly(look);
    const caughtUp =
      early !== undefined && until - firedUs >= limits.levelAfterS * 1e6 && !isCut(until) && hasCaughtUp(port, others, until, limits);
    const unlit = early ? ({ ...early, kind: caughtUp ? 'lazy' : 'cold' } as const) : lookLonger(look);
    if (!unlit && !isWatched(port, firedUs, until))
      judgement.unknown.push({ cylinder: port.cylinder, why: `${port.channel} gave numbers for a part of the time only` });
    else if (unlit) judgement.unlit.push({ cylinder: port.cylinder, channel: port.channel, ...unlit });
    else judgement.lit.push({ cylinder: port.cylinder, channel: port.channel });
  }
  return judgement;
}

/** Cold by its level weighs more than lazy by its rise. Two probes can only differ: which of them is the usual one nobody knows. */
function lookLonger(look: Looked): Unlit | undefined {
  const late = lookLate(look);
  const found = late?.kind === 'cold' ? late : (lookAtRise(look) ?? late);
  return found?.kind === 'lazy' && look.others.length < 2 ? undefined : found;
}

/** One port beside the others, over the run. */
interface Looked {
  port: Port;
  others: readonly Port[];
  firedUs: number;
  until: number;
  isCut(atUs: number): boolean;
  limits: StartLimits;
}

/** Fuel cut cools every port: nothing is judged while it lasts, nor until probes stand where they were again. */
function findCuts(cut: Watched | undefined, firedUs: number, afterCutUs: number): (atUs: number) => boolean {
  const cuts: { fromUs: number; toUs: number }[] = [];
  for (let i = 0; i < (cut?.timeUs.length ?? 0); i++) {
    const at = cut?.timeUs[i] as number;
    if (at < firedUs || cut?.value[i] === 0) continue;
    const last = cuts.at(-1);
    if (last && at - last.toUs < afterCutUs) last.toUs = at;
    else cuts.push({ fromUs: at, toUs: at });
  }
  return (atUs) => cuts.some(({ fromUs, toUs }) => atUs >= fromUs && atUs < toUs + afterCutUs);
}

type Unlit = Omit<UnlitCylinder, 'cylinder' | 'channel'>;

function findPorts(
  series: SeriesSet,
  vehicle: Vehicle,
  limits: StartLimits,
  firedUs: number,
  endUs: number,
  judgement: LitJudgement,
): Port[] {
  const engine = vehicle.engine;
  const ports: Port[] = [];
  const coldest = coldestBefore(series, vehicle, firedUs);
  for (let cylinder = 1; cylinder <= (engine?.cylinders ?? 0); cylinder++) {
    const probe = engine?.exhaustTemps.find((candidate) => candidate.cylinder === cylinder && isOwnProbe(candidate.place));
    const temp = watch(series, probe?.channel, 'degC', 'bad');
    const cold = probe && findReversed(series, probe.channel, coldest - limits.reversedBelowK, firedUs, endUs);
    if (!probe) judgement.unknown.push({ cylinder, why: whyNone(engine?.exhaustTemps.find((one) => one.cylinder === cylinder)?.place) });
    else if (cold) {
      judgement.reversed.push({ cylinder, channel: probe.channel, atUs: cold.sureUs, degC: cold.value });
      judgement.unknown.push({ cylinder, why: `${probe.channel} is reversed` });
    } else if (!temp || firstAtOrAfter(temp.timeUs, endUs) - firstAtOrAfter(temp.timeUs, firedUs) < 3) {
      judgement.unknown.push({ cylinder, why: `${probe.channel} gives no number` });
    } else {
      const base = medianWithin(temp, firedUs - 1_500_000, firedUs) ?? medianWithin(temp, firedUs, firedUs + 300_000);
      if (base !== undefined) ports.push({ cylinder, channel: probe.channel, temp, base });
    }
  }
  return ports;
}

const whyNone = (place: string | undefined) =>
  place === undefined ? 'it has no probe' : `its probe sits at ${place}, where it sees several cylinders`;

/** The lowest plausible reading before the fire. */
function coldestBefore(series: SeriesSet, vehicle: Vehicle, firedUs: number): number {
  const bases = (vehicle.engine?.exhaustTemps ?? []).flatMap(({ channel }) => {
    const temp = watch(series, channel, 'degC', 'bad');
    return (temp && medianWithin(temp, firedUs - 1_500_000, firedUs)) ?? [];
  });
  // A reversed one of a warm engine is below all others already: the middle of them says how cold it is.
  return Math.min(medianOf(bases) ?? 0, 40);
}

/** Numbers in at least so many of the stretches since the fire (a probe may come once a second): what was not seen is not lit. */
const watchedShare = 0.8;
const watchedEveryUs = 1_500_000;

function isWatched(port: Port, firedUs: number, until: number): boolean {
  let [seen, looks] = [0, 0];
  for (let at = firedUs + watchedEveryUs; at <= until; at += watchedEveryUs) {
    looks++;
    if (valuesWithin(port.temp, at - watchedEveryUs, at).length > 0) seen++;
  }
  return seen >= watchedShare * looks;
}

/** Below freezing, and so much colder than any other port before the fire: heat only makes a reversed probe read so. */
const reversedForUs = 300_000;

function findReversed(series: SeriesSet, channel: string, belowC: number, firedUs: number, endUs: number) {
  const temp = watch(series, channel, 'degC');
  const below = Math.min(0, belowC);
  return temp && heldFor(temp, firedUs, endUs, reversedForUs, (degC) => degC < below);
}

/** A probe behind a collector or a turbine sees several cylinders. */
function isOwnProbe(place: string): boolean {
  return place === 'port' || place === '';
}

const level = (port: Port, atUs: number) => medianWithin(port.temp, atUs - 250_000, atUs);

interface Look {
  kind: 'cold' | 'lazy';
  atUs: number;
  behindK: number;
  confidence: number;
}

function lookEarly({ port, others, firedUs, until, isCut, limits }: Looked): Look | undefined {
  let since: number | undefined;
  for (let at = firedUs + limits.coldAfterS * 1e6; at <= until; at += stepUs) {
    const rise = riseOf(port, at);
    const usual = others.length > 0 ? medianOf(others.flatMap((other) => riseOf(other, at) ?? [])) : expectedAlone(at - firedUs, limits);
    if (isCut(at)) since = undefined;
    if (rise === undefined || usual === undefined || isCut(at)) continue;
    const behindK = usual - rise;
    const isCold =
      usual >= limits.coldOthersK && behindK >= limits.coldBehindK && rise < limits.coldShare * usual && !isCatchingUp(port, others, at);
    if (!isCold) since = undefined;
    else since ??= at;
    if (since !== undefined && at - since >= limits.coldForMs * 1000) {
      const confidence = Math.min(0.99, 0.6 + 0.1 * Math.min(2, behindK / 100) + (0.2 * (usual - Math.max(0, rise))) / usual);
      return { kind: 'cold', atUs: at, behindK, confidence };
    }
  }
  return undefined;
}

/** The share of the others' rise that a port made, averaged over the first seconds. */
function lookAtRise({ port, others, firedUs, until, isCut, limits }: Looked): Unlit | undefined {
  if (until < firedUs + lazyToUs || others.length === 0) return undefined;
  const shares: number[] = [];
  let behindK = 0;
  for (let at = firedUs + lazyFromUs; at <= firedUs + lazyToUs; at += stepUs) {
    const rise = riseOf(port, at);
    const usual = medianOf(others.flatMap((other) => riseOf(other, at) ?? []));
    if (rise === undefined || usual === undefined || usual < limits.coldOthersK || isCut(at)) continue;
    shares.push(rise / usual);
    behindK = Math.max(behindK, usual - rise);
  }
  const share = shares.length > 0 ? shares.reduce((sum, value) => sum + value, 0) / shares.length : 1;
  if (share >= limits.lazyRiseShare || behindK < limits.lazyBehindK) return undefined;
  return { kind: 'lazy', atUs: firedUs + lazyToUs, behindK, confidence: Math.min(0.9, 0.5 + 2 * (limits.lazyRiseShare - share)) };
}

function riseOf(port: Port, atUs: number): number | undefined {
  const now = level(port, atUs);
  return now === undefined ? undefined : now - port.base;
}

/** With a single probe there is no other to compare with: a lit port is warmer by so much within eight seconds. */
function expectedAlone(sinceUs: number, { aloneRiseK }: StartLimits): number | undefined {
  return sinceUs >= 8_000_000 ? aloneRiseK : undefined;
}

/** It climbs nearly as fast as the others: slow, not dead. */
function isCatchingUp(port: Port, others: readonly Port[], atUs: number): boolean {
  const own = slopeWithin(port.temp, atUs - 800_000, atUs);
  const usual = medianOf(others.flatMap((other) => slopeWithin(other.temp, atUs - 800_000, atUs) ?? []));
  return own !== undefined && usual !== undefined && own > 15 && own > 0.6 * usual;
}

/**
 * Levels above where the coldest port began, every second from the late look on: the first second at which one is well below the others
 * decides, so a growing recording gives the same answer as the whole.
 */
function lookLate({ port, others, firedUs, until, isCut, limits }: Looked): Look | undefined {
  if (others.length === 0) return undefined;
  const floor = Math.min(port.base, ...others.map((other) => other.base), 40);
  for (let atUs = firedUs + limits.levelAfterS * 1e6; atUs <= until; atUs += 1_000_000) {
    const own = medianWithin(port.temp, atUs - lateMeanUs, atUs);
    const usual = medianOf(others.flatMap((other) => medianWithin(other.temp, atUs - lateMeanUs, atUs) ?? []));
    if (own === undefined || usual === undefined || usual - floor < 80 || isCut(atUs)) continue;
    const share = (own - floor) / (usual - floor);
    const behindK = usual - own;
    if (share < limits.levelColdShare && behindK > limits.levelBehindK) return { kind: 'cold', atUs, behindK, confidence: 0.7 };
    if (share < limits.levelLazyShare && behindK > limits.levelBehindK) return { kind: 'lazy', atUs, behindK, confidence: 0.6 };
  }
  return undefined;
}

/** It was called cold, and its level came up to the others' within the window: it burns, late. */
function hasCaughtUp(port: Port, others: readonly Port[], until: number, { caughtUpShare }: StartLimits): boolean {
  const floor = Math.min(port.base, ...others.map((other) => other.base), 40);
  const own = medianWithin(port.temp, until - lateMeanUs, until);
  const usual = medianOf(others.flatMap((other) => medianWithin(other.temp, until - lateMeanUs, until) ?? []));
  return own !== undefined && usual !== undefined && usual - floor >= 80 && (own - floor) / (usual - floor) > caughtUpShare;
}
