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

/** How the mean of a channel in one band of engine speed came about; times are the recording's own. */
export interface BandMean {
  mean: number;
  count: number;
  low: number;
  high: number;
  fromUs: number;
  toUs: number;
}

/** One channel's means by number of the band; a hold is one band, 0. */
export interface BandColumn {
  channel: string;
  unit: string;
  means: ReadonlyMap<number, BandMean>;
}

/** Lowest and highest sample of a channel within a pull. */
export interface Extremes {
  channel: string;
  count: number;
  low: number;
  lowUs: number;
  high: number;
  highUs: number;
}

/** What the figures of a profile were made of, channel by channel, so that each can be asked where it comes from. */
export interface PullMeasures {
  load: BandColumn | undefined;
  temps: (BandColumn | undefined)[];
  duty: (BandColumn | undefined)[];
  deltaKpa: (BandColumn | undefined)[];
  lambda: (BandColumn | undefined)[];
  timing: BandColumn | undefined;
  /** Over the whole pull, in the order of the injector sets. */
  dutyExtremes: (Extremes | undefined)[];
  deltaExtremes: (Extremes | undefined)[];
}

export interface PullProfile extends Pull {
  /** Cylinders with a probe. */
  cylinders: number[];
  peaks: Peak[];
  bands: SpeedBand[];
  sets: { set: string; dutyMax: number | null; deltaMin: number | null; deltaMax: number | null }[];
}

/** A probe lags: after a sweep its peak comes up to so long after the engine was lifted. Common practice, no source. */
export const peakAfterS = 3;
export const bandRpm = 250;
/** A sweep has a band once it went through a quarter of it. */
const bandPassedMinRpm = bandRpm / 4;

/** @param nextFrom Where the next pull begins: what comes from there on is not this one's peak. */
export function profilePull(
  series: SeriesSet,
  vehicle: Vehicle,
  pull: Pull,
  nextFrom = Number.POSITIVE_INFINITY,
  measures = measurePull(series, vehicle, pull),
): PullProfile {
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
    bands: toBands(measures, pull),
    sets: vehicle.injectorSets.map(({ name }, i) => {
      const [duty, delta] = [measures.dutyExtremes[i], measures.deltaExtremes[i]];
      const tenth = (value: number | undefined) => (value === undefined ? null : rounded(value, 1));
      return { set: name, dutyMax: tenth(duty?.high), deltaMin: tenth(delta?.low), deltaMax: tenth(delta?.high) };
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

/** Number of the band of engine speed that a row of the profile shows. */
export function bandOf(pull: Pull, speed: number): number {
  return pull.kind === 'hold' ? 0 : Math.floor(speed / bandRpm);
}

/** Everything that the figures of a pull are made of. */
export function measurePull(series: SeriesSet, vehicle: Vehicle, pull: Pull): PullMeasures {
  const { roles, exhaustTemps, lambda } = vehicle.engine ?? { roles: {}, exhaustTemps: [], lambda: new Map<string, string>() };
  const sets = vehicle.injectorSets.map(({ name }) => toNamePart(name));
  const [fromUs, toUs] = [series.startUs + pull.from * 1e6, series.startUs + pull.to * 1e6];
  const speed = watch(series, roles.speed, 'rpm');
  const means = speed && new BandMeans(speed, fromUs, toUs, pull.kind === 'hold');
  const of = (channel: string | undefined, unit: string | undefined, outOfRange: 'good' | 'bad' = 'good'): BandColumn | undefined => {
    const watched = watch(series, channel, unit, outOfRange);
    return (
      watched && means && { channel: watched.channel, unit: unit ?? series.get(watched.channel)?.unit ?? '', means: means.of(watched) }
    );
  };
  const pressure = of(roles.manifoldPressure, 'kPa');
  const extremes = (channel: string, unit: string) => extremesWithin(watch(series, channel, unit), fromUs, toUs);
  return {
    load: pressure?.means.size ? pressure : of(roles.throttle, undefined),
    temps: exhaustTemps.map(({ channel }) => of(channel, 'degC', 'bad')),
    duty: sets.map((part) => of(`duty_${part}`, '%')),
    deltaKpa: sets.map((part) => of(`fuel_delta_${part}`, 'kPa')),
    lambda: [...lambda.values()].map((channel) => of(channel, undefined)),
    timing: of(roles.timing, undefined),
    dutyExtremes: sets.map((part) => extremes(`duty_${part}`, '%')),
    deltaExtremes: sets.map((part) => extremes(`fuel_delta_${part}`, 'kPa')),
  };
}

/** How much of a band a sweep went through: where it begins and ends that may be a few rpm, in which not every probe had a sample. */
function passedRpm({ speedFrom, speedTo }: Pull, band: number): number {
  return Math.min(speedTo, (band + 1) * bandRpm) - Math.max(speedFrom, band * bandRpm);
}

function toBands(measures: PullMeasures, pull: Pull): SpeedBand[] {
  const middle = Math.round((pull.speedFrom + pull.speedTo) / 2);
  return [...new Set(measures.temps.flatMap((column) => [...(column?.means.keys() ?? [])]))]
    .filter((band) => pull.kind === 'hold' || passedRpm(pull, band) >= bandPassedMinRpm)
    .sort((a, b) => a - b)
    .map((band) => {
      const at = (column: BandColumn | undefined, digits: number) => {
        const found = column?.means.get(band);
        return found === undefined ? null : rounded(found.mean, digits);
      };
      const here = measures.temps.map((column) => at(column, 1));
      return {
        speed: pull.kind === 'hold' ? middle : Math.round((band + 0.5) * bandRpm),
        load: at(measures.load, 1),
        temps: here,
        ...scatterOf(here),
        duty: measures.duty.map((column) => at(column, 1)),
        deltaKpa: measures.deltaKpa.map((column) => at(column, 1)),
        lambda: measures.lambda.map((column) => at(column, 3)),
        timing: at(measures.timing, 1),
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

  of({ timeUs, value }: Watched): Map<number, BandMean> {
    const bands = new Map<number, BandMean>();
    for (let i = firstAtOrAfter(timeUs, this.fromUs); i < timeUs.length && (timeUs[i] as number) <= this.toUs; i++) {
      const [atUs, now] = [timeUs[i] as number, value[i] as number];
      const rpm = valueAt(this.speed, atUs);
      if (rpm === undefined) continue;
      const band = this.whole ? 0 : Math.floor(rpm / bandRpm);
      const into = bands.get(band) ?? { mean: 0, count: 0, low: now, high: now, fromUs: atUs, toUs: atUs };
      bands.set(band, into);
      // The sum until the end.
      into.mean += now;
      into.count++;
      into.low = Math.min(into.low, now);
      into.high = Math.max(into.high, now);
      into.toUs = atUs;
    }
    for (const into of bands.values()) into.mean /= into.count;
    return bands;
  }
}

function scatterOf(temps: readonly (number | null)[]): { spreadK: number | null; rmsK: number | null } {
  const known = temps.filter((temp) => temp !== null);
  if (known.length < 2) return { spreadK: null, rmsK: null };
  const mean = known.reduce((sum, temp) => sum + temp, 0) / known.length;
  const square = known.reduce((sum, temp) => sum + (temp - mean) ** 2, 0) / known.length;
  return { spreadK: rounded(Math.max(...known) - Math.min(...known), 1), rmsK: rounded(Math.sqrt(square), 1) };
}

function extremesWithin(watched: Watched | undefined, fromUs: number, toUs: number): Extremes | undefined {
  let found: Extremes | undefined;
  for (let i = watched ? firstAtOrAfter(watched.timeUs, fromUs) : 0; watched && i < watched.timeUs.length; i++) {
    const [at, value] = [watched.timeUs[i] as number, watched.value[i] as number];
    if (at > toUs) break;
    found ??= { channel: watched.channel, count: 0, low: value, lowUs: at, high: value, highUs: at };
    found.count++;
    if (value < found.low) Object.assign(found, { low: value, lowUs: at });
    if (value > found.high) Object.assign(found, { high: value, highUs: at });
  }
  return found;
}

function rounded(value: number, digits: number): number {
  return Number(value.toFixed(digits));
}
