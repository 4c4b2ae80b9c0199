// What a start was like in numbers: cranking, battery, oil pressure, and when each cylinder lit. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { withUsersLimits } from '../checks/check-limits.ts';
import type { Bout } from '../checks/engine-run.ts';
import type { CheckResult } from '../checks/verdict.ts';
import { heldFor, medianOf, medianWithin, valuesWithin, type Watched, watch } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

/** Null everywhere: the recording or the vehicle file doesn't say. */
export interface StartDigest {
  /** Seconds from the session's first frame: the starter begins to turn it. */
  atS: number;
  /** Until it ran by itself, or until it was given up. */
  crankedS: number;
  ran: boolean;
  /** Coolant, else oil, else the median probe, as it began. */
  startC: number | null;
  /** The lowest 0.1 s mean while the starter turned. */
  crankingV: number | null;
  /** From the moment that it ran until oil pressure was there; 0 when it came while cranking. */
  oilAfterS: number | null;
  /** By cylinder, in the order in which they lit; null: not within the first 20 s. */
  lit: { cylinder: number; afterS: number | null }[];
}

const litRiseK = 25;
const litForUs = 300_000;
const litWithinUs = 20_000_000;
const meanUs = 100_000;

export function digestStart(series: SeriesSet, vehicle: Vehicle, bout: Bout): StartDigest {
  const endUs = bout.runsUs ?? bout.toUs;
  return {
    atS: (bout.fromUs - series.startUs) / 1e6,
    crankedS: (endUs - bout.fromUs) / 1e6,
    ran: bout.runsUs !== undefined,
    startC: temperatureAt(series, vehicle, bout.fromUs),
    crankingV: crankingVolts(series, vehicle, bout.fromUs + 200_000, endUs),
    oilAfterS: bout.runsUs === undefined ? null : oilAfter(series, vehicle, bout.runsUs, bout.toUs),
    lit: bout.runsUs === undefined ? [] : litTimes(series, vehicle, bout.runsUs, bout.toUs),
  };
}

/** How warm the engine is: its coolant, else its oil, else the median of its probes. */
export function temperatureAt(series: SeriesSet, vehicle: Vehicle, atUs: number): number | null {
  const engine = vehicle.engine;
  for (const channel of [engine?.roles.coolantTemp, engine?.roles.oilTemp]) {
    const temp = watch(series, channel, 'degC');
    const found = temp && medianWithin(temp, atUs - 2_000_000, atUs + 500_000);
    if (found !== undefined) return found;
  }
  const probes = (engine?.exhaustTemps ?? []).flatMap(({ channel }) => {
    const temp = watch(series, channel, 'degC', 'bad');
    return (temp && medianWithin(temp, atUs - 2_000_000, atUs)) ?? [];
  });
  return medianOf(probes) ?? null;
}

function crankingVolts(series: SeriesSet, vehicle: Vehicle, fromUs: number, toUs: number): number | null {
  const volts = watch(series, vehicle.engine?.roles.battery, 'V');
  if (!volts) return null;
  let lowest: number | null = null;
  for (let at = fromUs; at + meanUs <= toUs; at += meanUs / 2) {
    const values = valuesWithin(volts, at, at + meanUs);
    if (values.length === 0) continue;
    const mean = values.reduce((sum, value) => sum + value, 0) / values.length;
    lowest = lowest === null ? mean : Math.min(lowest, mean);
  }
  return lowest;
}

function oilAfter(series: SeriesSet, vehicle: Vehicle, runsUs: number, toUs: number): number | null {
  const oil = watch(series, vehicle.engine?.roles.oilPressure, 'kPa');
  if (!oil) return null;
  const unread: CheckResult = { check: 'first-start', frames: 0, seconds: 0, verdicts: [], notJudged: [] };
  const { oilRunningKpa } = withUsersLimits('first-start', vehicle, unread);
  const came = heldFor(oil, runsUs - 2_000_000, toUs, 100_000, (kpa) => kpa >= oilRunningKpa);
  return came ? Math.max(0, (came.fromUs - runsUs) / 1e6) : null;
}

/** A port is lit when it has risen well above the lowest that it read since the fire: on a hot restart it falls first. */
function litTimes(series: SeriesSet, vehicle: Vehicle, runsUs: number, toUs: number): StartDigest['lit'] {
  const probes = (vehicle.engine?.exhaustTemps ?? []).filter(({ place }) => place === 'port' || place === '');
  const times = probes.flatMap(({ cylinder, channel }) => {
    const temp = watch(series, channel, 'degC', 'bad');
    return temp ? [{ cylinder, afterS: litAfter(temp, runsUs, Math.min(toUs, runsUs + litWithinUs)) }] : [];
  });
  return times.sort((a, b) => (a.afterS ?? Number.POSITIVE_INFINITY) - (b.afterS ?? Number.POSITIVE_INFINITY) || a.cylinder - b.cylinder);
}

function litAfter(temp: Watched, runsUs: number, toUs: number): number | null {
  let lowest = Number.POSITIVE_INFINITY;
  const lit = heldFor(temp, runsUs - 1_000_000, toUs, litForUs, (value) => {
    lowest = Math.min(lowest, value);
    return value >= lowest + litRiseK;
  });
  return lit ? Math.max(0, (lit.fromUs - runsUs) / 1e6) : null;
}
