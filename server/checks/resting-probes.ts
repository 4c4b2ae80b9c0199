// Probes of a resting engine beside each other, and what open, shorted and reversed ones read. Pure.
import { findUnit } from '../channels/unit.ts';
import { addVerdict, type Rest, round, signalsOf } from './resting-readings.ts';
import { amount, said } from './said.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { Verdict } from './verdict.ts';
import { firstAtOrAfter, medianOf, medianWithin, valuesWithin, type Watched, watch } from './watch.ts';

/** Probes of an engine at rest beside each other and beside the other temperatures. */
export function checkRestingProbes(rest: Rest): void {
  const { vehicle, series } = rest;
  const until = Math.min(rest.toUs, rest.fromUs + 6_000_000);
  const probes = (vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, channel }) => {
    const temp = watch(series, channel, 'degC');
    return { cylinder, channel, temp, level: temp && medianWithin(temp, rest.fromUs, until) };
  });
  if (probes.length === 0) {
    rest.result.notJudged?.push({ what: 'the probes', line: 'engine: { exhaust_temps: { 1: { channel: ..., place: port } } }' });
    return;
  }
  const open = probes.filter((probe) => isOpen(rest, probe.channel, probe.temp, probe.level));
  for (const { cylinder, channel, level } of open) {
    addVerdict(rest, {
      code: 'probe-open',
      ok: false,
      cylinder,
      channel,
      atUs: rest.fromUs,
      measured: level === undefined ? null : round(level),
      unit: 'degC',
      ...(level === undefined
        ? said`${channel} gives no number: the probe of cylinder ${cylinder} is open`
        : said`${channel} reads ${amount(level, 'degC', 0)} on an engine at rest: open, or floating`),
      next: 'Measure the loop at the box: a probe has some ohms. Look at its plug.',
    });
  }
  const sound = probes.filter((probe) => !open.includes(probe) && probe.level !== undefined);
  judgeLevels(rest, sound as Level[], otherTemperatures(rest, until));
}

function isOpen(rest: Rest, channel: string, temp: Watched | undefined, level: number | undefined): boolean {
  if (!temp || level === undefined) return rest.series.get(channel) !== undefined;
  const bad = firstAtOrAfter(temp.badUs, rest.toUs) - firstAtOrAfter(temp.badUs, rest.fromUs);
  const good = firstAtOrAfter(temp.timeUs, rest.toUs) - firstAtOrAfter(temp.timeUs, rest.fromUs);
  if (bad > good) return true;
  const values = valuesWithin(temp, rest.fromUs, rest.toUs);
  const apart = medianOf(values.map((value) => Math.abs(value - level))) ?? 0;
  return level > rest.limits.probeOpenC || apart > rest.limits.probeFloatsK;
}

/** What a resistive sensor without its wire reads, and no engine does. Common practice, no source. */
const openSensorC = -35;

/** Medians of what else measures temperature, by channel. */
function otherTemperatures(rest: Rest, until: number): Map<string, number> {
  const probes = new Set((rest.vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel));
  const inputs = new Set([...probes].map(withoutNumber));
  const found = new Map<string, number>();
  for (const signal of signalsOf(rest.vehicle)) {
    // An input beside the probes' that the engine gives no probe to reads what it likes: nothing, zero, its neighbour.
    if (inputs.has(withoutNumber(signal.name)) || findUnit(signal.unit)?.dimension !== 'temperature') continue;
    const temp = watch(rest.series, signal.name, 'degC');
    const level = temp && medianWithin(temp, rest.fromUs, until);
    if (level !== undefined && level > openSensorC) found.set(signal.name, level);
  }
  return found;
}

const withoutNumber = (channel: string): string => channel.replace(/\d+/g, '');

interface Level {
  cylinder: number;
  channel: string;
  level: number;
}

/** What a probe is held against, and what it is called. */
interface Surroundings {
  /** Of an engine that stood overnight: what its probes should read. Undefined when it is warm, or nobody knows. */
  coldC: number | undefined;
  /** What the probes of a warm engine read as a rule. */
  usualC: number;
  /** The coldest place that is not the engine: where the cables are. Undefined where nothing measures one. */
  ambientC: number | undefined;
  /** The coldest that coolant and oil read. */
  engineC: number | undefined;
}

function judgeLevels(rest: Rest, probes: readonly Level[], others: ReadonlyMap<string, number>): void {
  const usualC = medianOf(probes.map(({ level }) => level));
  if (usualC === undefined) return;
  const around = toSurroundings(rest, probes, others, usualC);
  for (const probe of probes) {
    const cold = around.coldC === undefined ? undefined : toAgreement(rest.limits, probe, probe.level - around.coldC, probes.length);
    const warm = around.coldC === undefined ? warmFault(rest.limits, probe.level, around) : undefined;
    const verdict = cold ?? warm;
    if (!verdict) continue;
    addVerdict(rest, {
      ...verdict,
      cylinder: probe.cylinder,
      channel: probe.channel,
      ...(verdict.ok ? {} : { atUs: rest.fromUs }),
      measured: round(probe.level - (around.coldC ?? usualC)),
      unit: 'K',
    });
  }
}

function toSurroundings(rest: Rest, probes: readonly Level[], others: ReadonlyMap<string, number>, usualC: number): Surroundings {
  const { limits, vehicle, result } = rest;
  const { coolantTemp, oilTemp } = vehicle.engine?.roles ?? {};
  const ofEngine = [...others].filter(([channel]) => channel === coolantTemp || channel === oilTemp).map(([, level]) => level);
  const ambient = [...others].filter(([channel]) => channel !== coolantTemp && channel !== oilTemp).map(([, level]) => level);
  const levels = probes.map(({ level }) => level);
  // One of three that is wrong must not drag the others; of two only what else is cold tells which.
  const few = probes.length < 3 ? [...others.values()] : [];
  const coldC = medianOf(probes.length === 1 ? few : [...levels, ...few]) ?? usualC;
  const lowest = Math.min(...others.values(), coldC);
  const warmest = Math.max(...ofEngine, coldC);
  const apart = levels.filter((level) => Math.abs(level - coldC) > limits.probesApartK).length;
  const why =
    ofEngine.length === 0
      ? 'no coolant or oil temperature says that it is cold'
      : warmest - lowest > limits.coldSoakedK ||
          Math.min(...ofEngine) > limits.coldSoakedMostC ||
          (probes.length > 2 && 2 * apart > probes.length)
        ? 'the engine is not cold-soaked'
        : undefined;
  if (why !== undefined) result.notJudged?.push({ what: `the probes beside each other (${why})`, line: 'leave it overnight, then key on' });
  return {
    coldC: why === undefined ? coldC : undefined,
    usualC,
    ambientC: ambient.length > 0 ? Math.min(...ambient) : undefined,
    engineC: ofEngine.length > 0 ? Math.min(...ofEngine) : undefined,
  };
}

type Judged = Pick<Verdict, 'code' | 'ok' | 'say' | 'sayParts' | 'next' | 'limit' | 'confidence'>;

function toAgreement(limits: LimitsOf<'key-on'>, { channel }: Level, off: number, probes: number): Judged {
  const ok = Math.abs(off) <= limits.probesApartK;
  const rest = probes < 3 ? 'what else is cold' : 'the others';
  return {
    code: 'probe-disagrees',
    ok,
    limit: limits.probesApartK,
    ...(ok
      ? said`${channel} agrees with ${rest}`
      : said`${channel} reads ${amount(Math.abs(off), 'K', 1)} ${off > 0 ? 'more' : 'less'} than ${rest} on a cold engine`),
    ...(ok ? {} : { next: 'Check its plug and extension, and the alloy of every piece of wire; compare with another channel of the box.' }),
  };
}

/** Below this without anything that measures the air a probe of a warm engine is reversed, and not at the temperature of its cable. */
const belowAnyWeatherC = -10;

/**
 * On a warm engine: a shorted probe reads the temperature of its cable, a reversed one as much below it as it should be above. Without
 * anything that measures the air one that is far colder than the engine itself is one or the other.
 */
function warmFault(limits: LimitsOf<'key-on'>, level: number, { usualC, ambientC, engineC }: Surroundings): Judged | undefined {
  const off = level - usualC;
  const cableC = ambientC ?? belowAnyWeatherC;
  const reversedC = 2 * cableC - usualC;
  const isBelow = level < cableC - (ambientC === undefined ? 0 : limits.probeAmbientK);
  if (off < -limits.probeReversedK && isBelow && Math.abs(level - reversedC) < Math.abs(level - cableC)) {
    return {
      code: 'probe-reversed',
      ok: false,
      limit: -limits.probeReversedK,
      ...said`it reads ${amount(level, 'degC', 0)}, colder than everything around, while the others are warm: reversed`,
      next: 'Swap the two wires at the probe connector; go by alloy and polarity, not by colour.',
    };
  }
  const isCable =
    ambientC === undefined ? engineC !== undefined && level < engineC - limits.probeShortedK : level <= ambientC + limits.probeAmbientK;
  if (off < -limits.probeShortedK && isCable) {
    return {
      code: 'probe-shorted',
      ok: false,
      limit: -limits.probeShortedK,
      ...(ambientC === undefined ? { confidence: 0.6 } : {}),
      ...said`it reads ${amount(level, 'degC', 0)}, the temperature of its cable, while the others are warm: shorted, or not in its port`,
      next: 'Look for a crushed cable, and whether the probe sits in its port.',
    };
  }
  return undefined;
}
