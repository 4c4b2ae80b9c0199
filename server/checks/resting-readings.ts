// Readings of an engine at rest: zeros and atmosphere, and whether every channel carries numbers; what all questions at rest share. Pure.
import { quality } from '../channels/quality.ts';
import type { SeriesSet } from '../channels/series.ts';
import { findUnit } from '../channels/unit.ts';
import { weatherKpa } from '../definitions/standard-atmosphere.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import { amount, type Said, said } from './said.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { medianWithin, type Watched, watch } from './watch.ts';

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

/** The span that a signal declares, or a usual one of its kind, in its own unit. */
export function spanOf(signal: Signal): number {
  if (signal.min !== undefined && signal.max !== undefined) return signal.max - signal.min;
  return findUnit(signal.unit)?.dimension === 'pressure' ? 500 / (findUnit(signal.unit)?.scale ?? 1) : 200;
}

export const round = (value: number, digits = 1) => Number(value.toFixed(digits));

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
