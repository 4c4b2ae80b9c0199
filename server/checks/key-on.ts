// The key-on check judged on a recording of an engine that does not turn: zeros, probes, throttle, battery, supplies, prime. Pure.

import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { withUsersLimits } from './check-limits.ts';
import { findBouts } from './engine-run.ts';
import { judgeLedPrimes } from './led-primes.ts';
import { checkPrimes } from './prime.ts';
import { checkRestingProbes } from './resting-probes.ts';
import { addVerdict, checkAlive, checkZeros, type Rest } from './resting-readings.ts';
import { type Guide, stretchOf } from './step-state.ts';
import { checkSupplies } from './supply-shift.ts';
import { checkThrottle } from './throttle-sweep.ts';
import type { CheckResult } from './verdict.ts';
import { heldFor, medianWithin, watch } from './watch.ts';

/**
 * Judges the part of the recording before the engine first turns.
 * @param guide Of a check that is led: each thing is judged in the stretch of its step.
 */
export function checkKeyOn(series: SeriesSet, vehicle: Vehicle, guide?: Guide): CheckResult {
  const result: CheckResult = {
    check: 'key-on',
    frames: series.frames,
    seconds: (series.endUs - series.startUs) / 1e6,
    verdicts: [],
    notJudged: [],
  };
  const [bout] = findBouts(series, vehicle);
  const toUs = bout ? bout.fromUs - 200_000 : series.endUs;
  const rest: Rest = {
    series,
    vehicle,
    result,
    fromUs: series.startUs,
    toUs,
    primeUs: undefined,
    limits: withUsersLimits('key-on', vehicle, result),
  };
  rest.primeUs = findPrime(rest);
  const inStep = (step: string, judge: (rest: Rest) => void) => {
    const stretch = stretchOf(guide, step, series);
    if (stretch === 'whole') judge(rest);
    else if (stretch) judge({ ...rest, fromUs: stretch.fromUs, toUs: Math.min(rest.toUs, stretch.toUs) });
  };
  inStep('zeros', checkZeros);
  inStep('probes', checkRestingProbes);
  inStep('throttle', checkThrottle);
  inStep('battery', checkBattery);
  inStep('supplies', checkSupplies);
  inStep('prime', (window) => checkPrimes(window, guide));
  if (guide) judgeLedPrimes(rest, guide);
  inStep('alive', checkAlive);
  return result;
}

/** The first lasting rise of any rail by a fifth of its target. */
function findPrime(rest: Rest): number | undefined {
  const rises = rest.vehicle.injectorSets.flatMap((set) => {
    const rail = watch(rest.series, set.rail, 'kPa');
    if (!rail || rail.value.length === 0) return [];
    const first = rail.value[0] as number;
    return heldFor(rail, rest.fromUs, rest.toUs, 100_000, (kpa) => kpa > first + 0.2 * (set.targetKpa ?? 300))?.fromUs ?? [];
  });
  return rises.length > 0 ? Math.min(...rises) : undefined;
}

/** Nominal voltage of a lithium iron phosphate cell: four make a battery that stands in for one of 12 or 14 V, five one of 16 V. Common practice, no source. */
const lithiumCellVolts = 3.2;

function checkBattery(rest: Rest): void {
  const { nominalV, chemistry } = rest.vehicle.electrical;
  const volts = watch(rest.series, rest.vehicle.engine?.roles.battery, 'V');
  if (nominalV === undefined || !volts) {
    rest.result.notJudged?.push({
      what: 'the battery',
      line: nominalV === undefined ? 'electrical: { nominal: 12 V }' : 'engine: { battery: <channel> }',
    });
    return;
  }
  const level = medianWithin(volts, rest.fromUs, Math.min(rest.primeUs ?? rest.toUs, rest.fromUs + 4_000_000));
  if (level === undefined) return;
  const lithium = /li/i.test(chemistry ?? '');
  const limit = lithium
    ? (rest.limits.batteryLithiumVolts / 4) * Math.round(nominalV / lithiumCellVolts)
    : (rest.limits.batteryLeadVolts * nominalV) / 12;
  const ok = level >= limit;
  addVerdict(rest, {
    code: 'battery',
    ok,
    channel: volts.channel,
    ...(ok ? {} : { atUs: rest.fromUs }),
    measured: Number(level.toFixed(2)),
    limit: Number(limit.toFixed(2)),
    say: `battery at rest ${level.toFixed(2)} V${ok ? '' : lithium ? ': a lithium battery is nearly flat there' : ': less than half full'}`,
    ...(ok ? {} : { next: 'Charge it before cranking.' }),
  });
}
