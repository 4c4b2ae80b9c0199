// What one pull or hold did to each cylinder: peaks, temperatures and spread by engine speed, duty and fuel pressure delta. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { firstAtOrAfter, valueAt, type Watched, watch } from '../checks/watch.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Pull } from './pulls.ts';

/** The highest indicated temperature of a cylinder's probe. */
export interface Peak {
  cylinder: number;
  /** °C; null: the probe gave no number. */
  peakC: number | null;
  /** Seconds from the recording's first frame, and engine speed at that moment. */
  at: number | null;
  speed: number | null;
  /** To the vehicle's limit, K; null without one. */
  marginK: number | null;
}

/** One band of engine speed. Temperatures are means of the indicated ones in °C, in the order of `cylinders`. */
export interface SpeedBand {
  /** Middle of the band, rpm. */
  speed: number;
  /** Manifold pressure, kPa, or without it throttle in its channel's unit. */
  load: number | null;
  temps: (number | null)[];
  /** Highest less lowest, and root mean square about the mean, of the probes that gave numbers; null with fewer than two. */
  spreadK: number | null;
  rmsK: number | null;
  /** Means of duty, %, and fuel pressure delta, kPa, in the order of `sets`. */
  duty: (number | null)[];
  deltaKpa: (number | null)[];
  /** By bank, in the order of the vehicle file, and ignition timing in its channel's unit. */
  lambda: (number | null)[];
  timing: number | null;
}

export interface PullProfile extends Pull {
  /** Cylinders with a probe. */
  cylinders: number[];
  peaks: Peak[];
  bands: SpeedBand[];
  sets: { set: string; dutyMax: number | null; deltaMin: number | null; deltaMax: number | null }[];
}

/** A probe lags: after a sweep its peak comes up to so long after the engine was lifted. Common practice, no source. */
const peakAfterS = 3;
const bandRpm = 250;

/** @param nextFrom Where the next pull begins: what comes from there on is not this one's peak. */
export function profilePull(series: SeriesSet, vehicle: Vehicle, pull: Pull, nextFrom = Number.POSITIVE_INFINITY): PullProfile {
  const fromUs = series.startUs + pull.from * 1e6;
  const toUs = series.startUs + pull.to * 1e6;
  const peakToUs = pull.kind === 'hold' ? toUs : series.startUs + Math.max(pull.to, Math.min(pull.to + peakAfterS, nextFrom)) * 1e6;
  const speed = watch(series, vehicle.engine?.roles.speed, 'rpm');
  const probes = vehicle.engine?.exhaustTemps ?? [];
  // A reading beyond its range is a peak all the same; in a spread it would be a number that nobody knows.
  const indicated = probes.map(({ channel }) => watch(series, channel, 'degC'));
  const limitC = vehicle.limits.exhaustTempC;
  return {
    ...pull,
    cylinders: probes.map(({ cylinder }) => cylinder),
    peaks: probes.map(({ cylinder }, i) => ({
      cylinder,
      ...findPeak(indicated[i], speed, fromUs, peakToUs, series.startUs, limitC),
    })),
    bands: speed ? toBands(series, vehicle, speed, pull) : [],
    sets: vehicle.injectorSets.map(({ name }) => {
      const duty = rangeWithin(watch(series, `duty_${toNamePart(name)}`, '%'), fromUs, toUs);
      const delta = rangeWithin(watch(series, `fuel_delta_${toNamePart(name)}`, 'kPa'), fromUs, toUs);
      return { set: name, dutyMax: duty?.high ?? null, deltaMin: delta?.low ?? null, deltaMax: delta?.high ?? null };
    }),
  };
}

function findPeak(
  temp: Watched | undefined,
  speed: Watched | undefined,
  fromUs: number,
  toUs: number,
  startUs: number,
  limitC: number | undefined,
): Omit<Peak, 'cylinder'> {
  let best = -1;
  for (let i = 0; temp && i < temp.timeUs.length; i++) {
    const at = temp.timeUs[i] as number;
    if (at < fromUs || at > toUs) continue;
    if (best < 0 || (temp.value[i] as number) > (temp.value[best] as number)) best = i;
  }
  if (!temp || best < 0) return { peakC: null, at: null, speed: null, marginK: null };
  const [peakC, atUs] = [temp.value[best] as number, temp.timeUs[best] as number];
  const rpm = speed && valueAt(speed, atUs);
  return {
    peakC: rounded(peakC, 1),
    at: (atUs - startUs) / 1e6,
    speed: rpm === undefined ? null : Math.round(rpm),
    marginK: limitC === undefined ? null : rounded(limitC - peakC, 1),
  };
}

function toBands(series: SeriesSet, vehicle: Vehicle, speed: Watched, pull: Pull): SpeedBand[] {
  const { roles, exhaustTemps, lambda } = vehicle.engine ?? { roles: {}, exhaustTemps: [], lambda: new Map<string, string>() };
  const sets = vehicle.injectorSets.map(({ name }) => toNamePart(name));
  const means = new BandMeans(speed, series.startUs + pull.from * 1e6, series.startUs + pull.to * 1e6, pull.kind === 'hold');
  const of = (channels: (string | undefined)[], unit: string | undefined, outOfRange: 'good' | 'bad' = 'good') =>
    channels.map((channel) => means.of(watch(series, channel, unit, outOfRange)));
  const temps = of(
    exhaustTemps.map(({ channel }) => channel),
    'degC',
    'bad',
  );
  const columns = {
    load: of([roles.manifoldPressure], 'kPa')[0]?.size ? of([roles.manifoldPressure], 'kPa') : of([roles.throttle], undefined),
    duty: of(
      sets.map((part) => `duty_${part}`),
      '%',
    ),
    deltaKpa: of(
      sets.map((part) => `fuel_delta_${part}`),
      'kPa',
    ),
    lambda: of([...lambda.values()], undefined),
    timing: of([roles.timing], undefined),
  };
  const middle = Math.round((pull.speedFrom + pull.speedTo) / 2);
  return [...new Set(temps.flatMap((column) => [...column.keys()]))]
    .sort((a, b) => a - b)
    .map((band) => {
      const at = (column: ReadonlyMap<number, number> | undefined, digits: number) => {
        const mean = column?.get(band);
        return mean === undefined ? null : rounded(mean, digits);
      };
      const here = temps.map((column) => at(column, 1));
      return {
        speed: pull.kind === 'hold' ? middle : Math.round((band + 0.5) * bandRpm),
        load: at(columns.load[0], 1),
        temps: here,
        ...scatterOf(here),
        duty: columns.duty.map((column) => at(column, 1)),
        deltaKpa: columns.deltaKpa.map((column) => at(column, 1)),
        lambda: columns.lambda.map((column) => at(column, 3)),
        timing: at(columns.timing[0], 1),
      };
    });
}

/** Means of channels within a pull by number of the band of engine speed; a hold is one band, 0. */
class BandMeans {
  private readonly speed: Watched;
  private readonly fromUs: number;
  private readonly toUs: number;
  private readonly whole: boolean;

  constructor(speed: Watched, fromUs: number, toUs: number, whole: boolean) {
    this.speed = speed;
    this.fromUs = fromUs;
    this.toUs = toUs;
    this.whole = whole;
  }

  of(watched: Watched | undefined): Map<number, number> {
    const sums = new Map<number, { sum: number; count: number }>();
    if (!watched) return new Map();
    const { timeUs, value } = watched;
    for (let i = firstAtOrAfter(timeUs, this.fromUs); i < timeUs.length && (timeUs[i] as number) <= this.toUs; i++) {
      const rpm = valueAt(this.speed, timeUs[i] as number);
      if (rpm === undefined) continue;
      const band = this.whole ? 0 : Math.floor(rpm / bandRpm);
      const into = sums.get(band) ?? { sum: 0, count: 0 };
      sums.set(band, into);
      into.sum += value[i] as number;
      into.count++;
    }
    return new Map([...sums].map(([band, { sum, count }]) => [band, sum / count]));
  }
}

function scatterOf(temps: readonly (number | null)[]): { spreadK: number | null; rmsK: number | null } {
  const known = temps.filter((temp) => temp !== null);
  if (known.length < 2) return { spreadK: null, rmsK: null };
  const mean = known.reduce((sum, temp) => sum + temp, 0) / known.length;
  const square = known.reduce((sum, temp) => sum + (temp - mean) ** 2, 0) / known.length;
  return { spreadK: rounded(Math.max(...known) - Math.min(...known), 1), rmsK: rounded(Math.sqrt(square), 1) };
}

function rangeWithin(watched: Watched | undefined, fromUs: number, toUs: number): { low: number; high: number } | undefined {
  let range: { low: number; high: number } | undefined;
  for (let i = 0; watched && i < watched.timeUs.length; i++) {
    const at = watched.timeUs[i] as number;
    if (at < fromUs || at > toUs) continue;
    const value = rounded(watched.value[i] as number, 1);
    range = range ? { low: Math.min(range.low, value), high: Math.max(range.high, value) } : { low: value, high: value };
  }
  return range;
}

function rounded(value: number, digits: number): number {
  return Number(value.toFixed(digits));
}
