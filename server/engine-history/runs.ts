// One run of the engine in numbers: how long, how it warmed, what it reached; and whether it warmed as it should. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { amount, said } from '../checks/said.ts';
import type { Verdict } from '../checks/verdict.ts';
import { medianOf, medianWithin, slopeWithin, valuesWithin, type Watched, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

/** Temperatures at one time since it fired; null where no channel says it. */
export interface WarmUpPoint {
  s: number;
  coolantC: number | null;
  oilC: number | null;
  /** Median of the probes. */
  exhaustC: number | null;
}

export interface RunDigest {
  /** Seconds from the session's first frame. */
  fromS: number;
  toS: number;
  /** As it fired, and the highest that it reached. */
  startC: number | null;
  coolantPeakC: number | null;
  oilPeakC: number | null;
  /** As it stopped: where cooling down begins. */
  endC: number | null;
  exhaustPeaks: { cylinder: number; peakC: number }[];
  warmUp: WarmUpPoint[];
  /** Over the last minute of the run, K/min; null when it ran for less. */
  coolantKPerMin: number | null;
  oilKPerMin: number | null;
  verdicts: Verdict[];
}

/** Common practice, no source. */
export const warmUpLimits = {
  /** Coolant colder than this when it fired has to move within this time, while the exhaust is up by so much. */
  coolantColdC: 55,
  flatWithinS: 180,
  flatK: 3,
  exhaustUpK: 120,
  /** Above the opening of a usual thermostat coolant no longer climbs at a rate that doesn't fall. */
  thermostatC: 82,
  climbingKPerMin: 3,
} as const;

/** A rate that is this share of the minute before is falling. */
const fallingShare = 0.9;
const pointsS = [30, 60, 120, 180, 300, 600, 900, 1200];

interface Temperatures {
  coolant: Watched | undefined;
  oil: Watched | undefined;
  probes: { cylinder: number; temp: Watched }[];
}

export function digestRun(series: SeriesSet, vehicle: Vehicle, runsUs: number, toUs: number): RunDigest {
  const roles = vehicle.engine?.roles;
  const temps: Temperatures = {
    coolant: watch(series, roles?.coolantTemp, 'degC', 'bad'),
    oil: watch(series, roles?.oilTemp, 'degC', 'bad'),
    probes: (vehicle.engine?.exhaustTemps ?? []).flatMap(({ cylinder, channel }) => {
      const temp = watch(series, channel, 'degC', 'bad');
      return temp ? [{ cylinder, temp }] : [];
    }),
  };
  const first = temps.coolant ?? temps.oil;
  return {
    fromS: (runsUs - series.startUs) / 1e6,
    toS: (toUs - series.startUs) / 1e6,
    startC: levelAt(first, runsUs),
    coolantPeakC: peakOf(temps.coolant, runsUs, toUs),
    oilPeakC: peakOf(temps.oil, runsUs, toUs),
    endC: levelAt(first, toUs),
    exhaustPeaks: temps.probes.flatMap(({ cylinder, temp }) => {
      const peakC = peakOf(temp, runsUs, toUs);
      return peakC === null ? [] : [{ cylinder, peakC }];
    }),
    warmUp: pointsS.filter((s) => runsUs + s * 1e6 <= toUs).map((s) => pointAt(temps, s, runsUs + s * 1e6)),
    coolantKPerMin: rateAt(temps.coolant, runsUs, toUs),
    oilKPerMin: rateAt(temps.oil, runsUs, toUs),
    verdicts: judgeWarmUp(temps, runsUs, toUs, series.startUs),
  };
}

function levelAt(temp: Watched | undefined, atUs: number): number | null {
  return (temp && medianWithin(temp, atUs - 2_000_000, atUs)) ?? null;
}

function peakOf(temp: Watched | undefined, fromUs: number, toUs: number): number | null {
  const values = temp && valuesWithin(temp, fromUs, toUs);
  return values && values.length > 0 ? values.reduce((high, value) => Math.max(high, value), Number.NEGATIVE_INFINITY) : null;
}

function rateAt(temp: Watched | undefined, runsUs: number, atUs: number): number | null {
  const perS = temp && atUs - runsUs >= 60e6 ? slopeWithin(temp, atUs - 60e6, atUs) : undefined;
  return perS === undefined ? null : perS * 60;
}

function exhaustAt(temps: Temperatures, atUs: number): number | null {
  return medianOf(temps.probes.flatMap(({ temp }) => levelAt(temp, atUs) ?? [])) ?? null;
}

function pointAt(temps: Temperatures, s: number, atUs: number): WarmUpPoint {
  return { s, coolantC: levelAt(temps.coolant, atUs), oilC: levelAt(temps.oil, atUs), exhaustC: exhaustAt(temps, atUs) };
}

function judgeWarmUp(temps: Temperatures, runsUs: number, toUs: number, zeroUs: number): Verdict[] {
  const atS = (us: number) => Math.round(us - zeroUs) / 1e6;
  return [flatCoolant(temps, runsUs, toUs, atS), climbingCoolant(temps, runsUs, toUs, atS)].flatMap((verdict) => verdict ?? []);
}

/** Coolant that stays where it was for minutes while the exhaust is up: a sensor in air, or one that touches no water. */
function flatCoolant({ coolant, ...temps }: Temperatures, runsUs: number, toUs: number, atS: (us: number) => number): Verdict | undefined {
  const { coolantColdC, flatWithinS, flatK, exhaustUpK } = warmUpLimits;
  const atUs = runsUs + flatWithinS * 1e6;
  const [began, now] = [levelAt(coolant, runsUs), levelAt(coolant, atUs)];
  const [wasC, isC] = [exhaustAt({ coolant, ...temps }, runsUs), exhaustAt({ coolant, ...temps }, atUs)];
  if (!coolant || atUs > toUs || began === null || now === null || wasC === null || isC === null) return undefined;
  if (began > coolantColdC || isC - wasC < exhaustUpK) return undefined;
  const rise = now - began;
  const ok = rise >= flatK;
  return {
    code: 'coolant-flat',
    ok,
    channel: coolant.channel,
    at: atS(atUs),
    measured: Number(rise.toFixed(1)),
    limit: flatK,
    unit: 'K',
    ...(ok
      ? said`coolant rose by ${amount(rise, 'K', 0)} within ${flatWithinS / 60} min of the fire`
      : said`coolant stays at ${amount(now, 'degC', 0)}, ${flatWithinS / 60} min after the fire, while the exhaust is up by ${amount(isC - wasC, 'K', 0)}`),
    ...(ok ? {} : { next: 'A dry or air-locked sensor, or no water: shut down, let it cool, bleed it at its highest point.' }),
  };
}

/** Above the thermostat's opening, at a rate that isn't falling: what it does next can be told only then. */
function climbingCoolant({ coolant }: Temperatures, runsUs: number, toUs: number, atS: (us: number) => number): Verdict | undefined {
  const { thermostatC, climbingKPerMin } = warmUpLimits;
  if (!coolant || toUs - runsUs < 120e6) return undefined;
  const level = levelAt(coolant, toUs);
  const [before, rate] = [rateAt(coolant, runsUs, toUs - 60e6), rateAt(coolant, runsUs, toUs)];
  if (level === null || before === null || rate === null || level < thermostatC) return undefined;
  const ok = rate < climbingKPerMin || rate < fallingShare * before;
  return {
    code: 'coolant-climbing',
    ok,
    channel: coolant.channel,
    at: atS(toUs),
    measured: Number(rate.toFixed(1)),
    limit: climbingKPerMin,
    ...(ok
      ? said`coolant had settled at ${amount(level, 'degC', 0)} (${amount(rate, 'K', 1)} a minute at the end)`
      : said`coolant was at ${amount(level, 'degC', 0)} and still climbing by ${amount(rate, 'K', 1)} a minute at the end, no slower than the minute before`),
    ...(ok ? {} : { next: 'Look at the thermostat, the pump, air in the system and flow through the radiator before it runs longer.' }),
  };
}
