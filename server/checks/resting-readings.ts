// Readings of an engine at rest: zeros and atmosphere, probes beside each other, and steps when something is switched. Pure.
import { quality } from '../channels/quality.ts';
import type { SeriesSet } from '../channels/series.ts';
import { findUnit } from '../channels/unit.ts';
import { weatherKpa } from '../definitions/standard-atmosphere.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import { amount, type Said, said } from './said.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { firstAtOrAfter, medianOf, medianWithin, valuesWithin, type Watched, watch } from './watch.ts';

/** What every question at rest needs. */
export interface Rest {
  series: SeriesSet;
  vehicle: Vehicle;
  result: CheckResult;
  fromUs: number;
  /** The engine turns, or the recording ends. */
  toUs: number;
  /** First rise of a rail; undefined when none rose. */
  primeUs: number | undefined;
  limits: LimitsOf<'key-on'>;
}

export function addVerdict(rest: Rest, verdict: Verdict & { atUs?: number }): void {
  const { atUs, ...kept } = verdict;
  const at = atUs === undefined ? {} : { at: Math.round(atUs - rest.series.startUs) / 1e6 };
  rest.result.verdicts.push({ ...kept, ...at } as Verdict);
}

export function addNotJudged(rest: Rest, { say: what, sayParts: whatParts }: Said, line: string): void {
  rest.result.notJudged?.push({ what, ...(whatParts ? { whatParts } : {}), line });
}

export function signalsOf(vehicle: Vehicle): Signal[] {
  return vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals));
}

const round = (value: number, digits = 1) => Number(value.toFixed(digits));

/** Where nobody says what the atmosphere is. */
const usualAtmosphereKpa = 100;

/** Pressures of a resting engine: gauge and differential read zero, absolute the atmosphere. */
export function checkZeros(rest: Rest): void {
  const { vehicle, series } = rest;
  const until = Math.min((rest.primeUs ?? rest.toUs) - 200_000, rest.fromUs + 6_000_000);
  const atmosphere = findAtmosphere(rest, until);
  const rails = new Map(vehicle.injectorSets.flatMap((set) => (set.rail ? [[set.rail, set.targetKpa ?? 300]] : []) as [string, number][]));
  for (const signal of signalsOf(vehicle)) {
    if (findUnit(signal.unit)?.dimension !== 'pressure') continue;
    const pressure = watch(series, signal.name, 'kPa');
    const kpa = pressure && medianWithin(pressure, rest.fromUs, Math.max(until, rest.fromUs + 500_000));
    if (pressure === undefined || kpa === undefined) continue;
    if (signal.reference === undefined) {
      rest.result.notJudged?.push({
        what: `zero of ${signal.name}`,
        line: `reference: gauge (or absolute) on signal ${signal.name} in ${signal.at.file}`,
      });
      continue;
    }
    const target = rails.get(signal.name);
    const held = kpa - (signal.reference === 'absolute' ? (atmosphere?.kpa ?? usualAtmosphereKpa) : 0);
    if (target !== undefined && held > rest.limits.railHoldsShare * target) {
      addNotJudged(
        rest,
        said`zero of ${signal.name} (the rail still holds ${amount(held, 'kPa', 0)})`,
        'bleed the rail, key on with the pump disabled',
      );
      continue;
    }
    judgeZero(rest, signal, pressure, kpa, atmosphere);
  }
}

function judgeZero(rest: Rest, signal: Signal, pressure: Watched, kpa: number, atmosphere: Atmosphere | undefined): void {
  const span = spanKpa(signal);
  const absolute = signal.reference === 'absolute';
  if (absolute && !atmosphere) {
    rest.result.notJudged?.push({
      what: `atmosphere on ${signal.name}`,
      line: 'engine: { barometer: <channel, a typed station pressure, or { altitude: 320 m }> }',
    });
    return;
  }
  if (absolute && atmosphere?.channel === signal.name) return;
  const expected = absolute && atmosphere ? atmosphere.kpa : 0;
  const { limits } = rest;
  const bySpan = span === undefined ? limits.zeroWithoutSpanKpa : Math.max(limits.zeroLeastKpa, limits.zeroSpanShare * span);
  const isManifold = rest.vehicle.engine?.roles.manifoldPressure === signal.name;
  const atmosphereLimit = isManifold ? limits.atmosphereKpa : Math.max(limits.atmosphereKpa, Math.min(bySpan, limits.atmosphereOtherKpa));
  const limit = absolute ? atmosphereLimit + (atmosphere?.unsureKpa ?? 0) : bySpan;
  const off = kpa - expected;
  const ok = Math.abs(off) <= limit;
  addVerdict(rest, {
    code: 'zero-offset',
    ok,
    channel: pressure.channel,
    ...(ok ? {} : { atUs: rest.fromUs }),
    measured: round(off, 2),
    limit: round(limit, 2),
    unit: 'kPa',
    ...(ok
      ? said`${pressure.channel} reads ${amount(kpa, 'kPa', 1)} ${absolute ? 'of atmosphere' : 'at rest'}`
      : said`${pressure.channel} reads ${amount(kpa, 'kPa', 1)} where ${absolute ? said`the atmosphere is ${amount(expected, 'kPa', 1)}` : 'nothing presses'}`),
    ...(ok ? {} : { next: 'Look at its supply and ground, then at offset and range in the device file; let an open line breathe.' }),
  });
}

interface Atmosphere {
  kpa: number;
  channel: string | undefined;
  /** What the weather may make of a pressure that is known by altitude only. */
  unsureKpa: number;
}

/** The barometer, or the value typed for it. Weather services give pressure reduced to sea level: ask for station pressure. */
function findAtmosphere(rest: Rest, until: number): Atmosphere | undefined {
  const barometer = rest.vehicle.engine?.barometer;
  if (!barometer) return undefined;
  if ('valueKpa' in barometer)
    return { kpa: barometer.valueKpa, channel: undefined, unsureKpa: barometer.altitudeM === undefined ? 0 : weatherKpa };
  const read = watch(rest.series, barometer.channel, 'kPa');
  const kpa = read && medianWithin(read, rest.fromUs, Math.max(until, rest.fromUs + 1_500_000));
  return kpa === undefined ? undefined : { kpa, channel: barometer.channel, unsureKpa: 0 };
}

function spanKpa(signal: Signal): number | undefined {
  const unit = findUnit(signal.unit);
  if (!unit || signal.min === undefined || signal.max === undefined) return undefined;
  return (signal.max - signal.min) * unit.scale;
}

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

/** Something that a reading did when a load was switched. */
interface Step {
  channel: string;
  atUs: number;
  by: number;
  /** Of the channel's span. */
  share: number;
}

const stepHalfUs = 700_000;
const stepEveryUs = 100_000;
const togetherUs = 700_000;
/** Fewer units of the last digit are noise that the digits hide. */
const stepResolutions = 3;

/** Readings at rest that step when something is switched, by the supply or ground that they share. No reading may move. */
export function checkSupplies(rest: Rest): void {
  const { vehicle, series } = rest;
  const battery = vehicle.engine?.roles.battery;
  const switched = battery ? stepsOf(watch(series, battery, 'V'), { span: 12, resolution: 0 }, rest).length : 0;
  const moving = new Set([battery, vehicle.engine?.roles.throttle, ...vehicle.injectorSets.map(({ pulse }) => pulse)]);
  const rails = new Set(vehicle.injectorSets.map(({ rail }) => rail));
  // Once the pump ran a rail moves by itself.
  const beforePrime = { ...rest, toUs: Math.min(rest.toUs, (rest.primeUs ?? rest.toUs) - stepHalfUs) };
  const steps = signalsOf(vehicle)
    .filter((signal) => !moving.has(signal.name) && ['pressure', 'temperature'].includes(findUnit(signal.unit)?.dimension ?? ''))
    .flatMap((signal) =>
      stepsOf(
        watch(series, signal.name, undefined),
        { span: spanOf(signal), resolution: Math.abs(signal.factor) },
        rails.has(signal.name) ? beforePrime : rest,
      ),
    );
  const groups = [...vehicle.supplies, ...vehicle.grounds];
  const probes = new Set((vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel));
  const told: Set<string>[] = [];
  for (const meeting of toMeetings(steps)) {
    const channels = [...new Set(meeting.map((step) => step.channel))];
    const largest = meeting.reduce((most, step) => (Math.abs(step.share) > Math.abs(most.share) ? step : most));
    // Rails that fall are leaks: they tell of a wire only together with what shares it.
    if (channels.every((channel) => rails.has(channel))) continue;
    if (channels.length < 2 && Math.abs(largest.share) < rest.limits.shiftAloneShare) continue;
    if (isPressureAtPrime(rest, channels, largest)) continue;
    // The same channels again, when the next load is switched: one fault.
    if (told.some((before) => channels.filter((channel) => before.has(channel)).length >= 0.5 * Math.min(channels.length, before.size)))
      continue;
    told.push(new Set(channels));
    const group = channels.every((channel) => probes.has(channel)) && channels.length > 1 ? 'thermocouples' : bestGroup(groups, channels);
    addVerdict(rest, {
      code: 'supply-shift',
      ok: false,
      ...(group ? { group } : {}),
      channel: largest.channel,
      channels,
      atUs: largest.atUs,
      measured: round(largest.by, 3),
      limit: 0,
      say: `${channels.join(', ')} ${channels.length === 1 ? 'moves' : 'move together'} when something is switched${group ? `: ${group} drops` : ''}`,
      next: group
        ? `Measure ${group} at the sensor plugs while switching: a drop points to a thin or shared wire, or a poor ground.`
        : 'Measure its supply and ground while switching.',
    });
  }
  if (told.length === 0 && switched > 0)
    addVerdict(rest, {
      code: 'supply-shift',
      ok: true,
      measured: 0,
      limit: 0,
      say: `something was switched ${switched} times and no reading moved`,
    });
  if (switched === 0 && told.length === 0)
    rest.result.notJudged?.push({
      what: 'supplies and grounds (nothing was switched)',
      line: 'key on, switch pump, fan, ignition and lights one at a time',
    });
  if (told.length > 0 && groups.length === 0)
    rest.result.notJudged?.push({ what: 'which supply or ground moved', line: 'supplies: { sensor-5v: [<channels>] }' });
}

/** A pressure that nothing calls a rail, alone, when the pump starts: fuel, not a supply. */
function isPressureAtPrime(rest: Rest, channels: readonly string[], step: Step): boolean {
  const signal = channels.length === 1 ? signalsOf(rest.vehicle).find(({ name }) => name === channels[0]) : undefined;
  if (findUnit(signal?.unit ?? '')?.dimension !== 'pressure') return false;
  const atPrime = rest.primeUs !== undefined && Math.abs(step.atUs - rest.primeUs) < 1_500_000;
  return atPrime || Math.abs(step.share) > 0.1;
}

export function spanOf(signal: Signal): number {
  if (signal.min !== undefined && signal.max !== undefined) return signal.max - signal.min;
  return findUnit(signal.unit)?.dimension === 'pressure' ? 500 / (findUnit(signal.unit)?.scale ?? 1) : 200;
}

/** Steps of the median, larger than noise and resolution, at their steepest. */
function stepsOf(watched: Watched | undefined, { span, resolution }: { span: number; resolution: number }, rest: Rest): Step[] {
  if (!watched) return [];
  const marks: { atUs: number; by: number }[] = [];
  for (let at = rest.fromUs + stepHalfUs + 300_000; at < rest.toUs - stepHalfUs; at += stepEveryUs) {
    const before = medianWithin(watched, at - stepHalfUs, at - 1);
    const after = medianWithin(watched, at, at + stepHalfUs);
    if (before !== undefined && after !== undefined) marks.push({ atUs: at, by: after - before });
  }
  const noise = (medianOf(marks.map(({ by }) => Math.abs(by))) ?? 0) * 1.5;
  const least = Math.max(rest.limits.shiftNoiseTimes * noise, rest.limits.shiftShare * span, stepResolutions * resolution);
  const steps: Step[] = [];
  for (const [i, mark] of marks.entries()) {
    const size = Math.abs(mark.by);
    const peak = marks.slice(Math.max(0, i - 7), i + 8).every((other) => Math.abs(other.by) <= size);
    const last = steps[steps.length - 1];
    if (size >= least && peak && (!last || mark.atUs - last.atUs > stepHalfUs))
      steps.push({ channel: watched.channel, atUs: mark.atUs, by: mark.by, share: mark.by / span });
  }
  return steps;
}

function toMeetings(steps: readonly Step[]): Step[][] {
  const meetings: Step[][] = [];
  for (const step of [...steps].sort((a, b) => a.atUs - b.atUs)) {
    const last = meetings[meetings.length - 1];
    if (last && step.atUs - (last[0] as Step).atUs <= togetherUs) last.push(step);
    else meetings.push([step]);
  }
  return meetings;
}

/** The group whose channels and those that moved overlap most. */
export function bestGroup(groups: readonly (readonly [string, readonly string[]])[], channels: readonly string[]): string | undefined {
  let best: { name: string; share: number } | undefined;
  for (const [name, members] of groups) {
    const both = channels.filter((channel) => members.includes(channel)).length;
    const share = both / new Set([...channels, ...members]).size;
    if (both > 0 && (!best || share > best.share)) best = { name, share };
  }
  return best?.name;
}

/** Frames that should come by themselves and never did: their channels can be neither right nor wrong here. */
function tellNeverCame({ vehicle, series, result }: Rest): void {
  for (const { devices } of vehicle.buses) {
    for (const { name, frames } of devices) {
      const due = frames.filter(({ periodUs, signals }) => periodUs !== undefined && signals.length > 0);
      const absent = due.filter(({ signals }) => signals.every((signal) => (series.get(signal.name)?.quality.length ?? 0) === 0));
      if (absent.length === 0) continue;
      const what =
        absent.length === due.length
          ? `${name} (nothing of it came)`
          : `${absent.map((frame) => frame.name).join(', ')} of ${name} (never came)`;
      result.notJudged?.push({ what: `the channels of ${what}`, line: 'nothing: the bus check tells where it is lost' });
    }
  }
}

/** Signals that came and never gave a good number; probes are told of elsewhere. */
export function checkAlive(rest: Rest): void {
  tellNeverCame(rest);
  const probes = new Set((rest.vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel));
  for (const signal of signalsOf(rest.vehicle)) {
    const series = rest.series.get(signal.name);
    if (!series || probes.has(signal.name) || series.quality.length === 0) continue;
    if (series.quality.some((code) => code === quality.ok || code === quality.outOfRange)) continue;
    addVerdict(rest, {
      code: 'channel-silent',
      ok: false,
      channel: signal.name,
      measured: null,
      say: `${signal.name} comes, and never carries a number`,
      next: 'Its device marks it as faulty or not available: look at the sensor and its wires.',
    });
  }
}
