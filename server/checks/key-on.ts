// The key-on check judged on a recording of an engine that does not turn: zeros, probes, throttle, battery, supplies, prime. Pure.

import type { SeriesSet } from '../channels/series.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { withUsersLimits } from './check-limits.ts';
import { findBouts } from './engine-run.ts';
import { fromPumpOn, judgeLedPrimes, whyNeverPrimed } from './led-primes.ts';
import { addVerdict, checkAlive, checkRestingProbes, checkSupplies, checkZeros, type Rest, signalsOf } from './resting-readings.ts';
import { amount, said } from './said.ts';
import { type Guide, stretchOf } from './step-state.ts';
import type { CheckResult } from './verdict.ts';
import { firstAtOrAfter, heldFor, medianWithin, valuesWithin, type Watched, watch } from './watch.ts';

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

function checkThrottle(rest: Rest): void {
  const channel = rest.vehicle.engine?.roles.throttle;
  const throttle = toPercent(rest, watch(rest.series, channel, undefined));
  if (!throttle || channel === undefined) {
    rest.result.notJudged?.push({ what: 'the throttle', line: 'engine: { throttle: <channel> }' });
    return;
  }
  const values = valuesWithin(throttle, rest.fromUs, rest.toUs);
  const low = values.reduce((a, b) => Math.min(a, b), Number.POSITIVE_INFINITY);
  const high = values.reduce((a, b) => Math.max(a, b), Number.NEGATIVE_INFINITY);
  if (!(high - low > 15)) {
    rest.result.notJudged?.push({ what: 'the throttle (it did not move)', line: 'sweep it slowly to both ends, twice' });
    return;
  }
  const jump = findJump(throttle, rest);
  const { limits } = rest;
  const short = low > limits.throttleClosedPercent || high < limits.throttleOpenPercent;
  addVerdict(rest, {
    code: 'throttle-range',
    ok: !short && jump === undefined,
    channel,
    ...(jump ? { atUs: jump.atUs } : {}),
    measured: jump ? Number(jump.by.toFixed(1)) : Number((low > limits.throttleClosedPercent ? low : high).toFixed(1)),
    limit: jump
      ? limits.throttleJumpPercent
      : low > limits.throttleClosedPercent
        ? limits.throttleClosedPercent
        : limits.throttleOpenPercent,
    from: Number(low.toFixed(1)),
    to: Number(high.toFixed(1)),
    say: jump
      ? `${channel} jumps at ${jump.near.toFixed(0)} % of its way: a dead spot or a loose wire`
      : short
        ? `${channel} goes from ${low.toFixed(1)} to ${high.toFixed(1)} % only`
        : `${channel} goes smoothly from ${low.toFixed(1)} to ${high.toFixed(1)} %`,
    ...(jump
      ? { next: 'Sweep again slowly while moving its plug; a dead spot that stays means a worn sensor.' }
      : short
        ? { next: 'Set both ends in the engine controller; look at the linkage and at the stop.' }
        : {}),
  });
}

/** Another unit is scaled by the signal's declared span. */
function toPercent(rest: Rest, throttle: Watched | undefined): Watched | undefined {
  const signal = signalsOf(rest.vehicle).find(({ name }) => name === throttle?.channel);
  if (!throttle || !signal || signal.unit === '%') return throttle;
  const { min, max } = signal;
  if (min === undefined || max === undefined) return undefined;
  return { ...throttle, value: throttle.value.map((value) => (100 * (value - min)) / (max - min)) };
}

/** A jump no foot makes, or readings that drop out on the way. */
function findJump(throttle: Watched, rest: Rest): { atUs: number; by: number; near: number } | undefined {
  const { timeUs, value, badUs } = throttle;
  const from = firstAtOrAfter(timeUs, rest.fromUs);
  const to = firstAtOrAfter(timeUs, rest.toUs);
  for (let i = from + 1; i < to; i++) {
    const seconds = ((timeUs[i] as number) - (timeUs[i - 1] as number)) / 1e6;
    const by = (value[i] as number) - (value[i - 1] as number);
    if (seconds < 0.5 && Math.abs(by) > Math.max(rest.limits.throttleJumpPercent, (1e5 / rest.limits.throttleFastestMs) * seconds))
      return { atUs: timeUs[i] as number, by, near: value[i - 1] as number };
  }
  const bad = badUs.find((at) => at > rest.fromUs && at < rest.toUs);
  if (bad === undefined) return undefined;
  const before = value[Math.max(0, firstAtOrAfter(timeUs, bad) - 1)];
  return { atUs: bad, by: 0, near: before ?? 0 };
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

function checkPrimes(rest: Rest, guide: Guide | undefined): void {
  const disabled = whyNeverPrimed(rest, guide);
  for (const set of rest.vehicle.injectorSets) {
    const delta = watch(rest.series, `fuel_delta_${toNamePart(set.name)}`, 'kPa');
    if (!delta || set.targetKpa === undefined) {
      rest.result.notJudged?.push({
        what: `the prime of ${set.name}`,
        line: `injector_sets: { ${set.name}: { rail: <channel>, discharge: <channel>, target: 300 kPa } }, with a reference on each pressure and engine: { barometer: ... }`,
      });
      continue;
    }
    const led = fromPumpOn(rest, guide);
    const judged = withoutOffset(rest, set, delta);
    if (disabled === undefined) judgePrime(led, set, set.targetKpa, judged);
    else rest.result.notJudged?.push({ what: `the prime of ${set.name} (${disabled})`, line: 'enable the pump, then key on' });
  }
}

/** A rail sensor that was found to be off is told of once: its prime is judged without the offset. */
function withoutOffset(rest: Rest, set: InjectorSet, delta: Watched): Watched {
  const off = rest.result.verdicts.find(({ code, ok, channel }) => code === 'zero-offset' && !ok && channel === set.rail)?.measured;
  return typeof off === 'number' ? { ...delta, value: delta.value.map((kpa) => kpa - off) } : delta;
}

function judgePrime(rest: Rest, set: InjectorSet, target: number, delta: Watched): void {
  const { limits } = rest;
  const common = { code: 'prime', set: set.name, channel: delta.channel };
  const began = heldFor(delta, rest.fromUs, rest.toUs, 60_000, (kpa) => kpa > limits.primeBeganShare * target);
  if (!began) {
    if (rest.toUs - rest.fromUs < 5_000_000) return;
    addVerdict(rest, {
      ...common,
      ok: false,
      atUs: rest.fromUs,
      measured: Number((medianWithin(delta, rest.fromUs, rest.toUs) ?? 0).toFixed(1)),
      limit: target,
      unit: 'kPa',
      say: `${set.name} was never primed: its pump did not run, or was left disabled`,
      next: 'Enable the pump and key on again; then its relay, fuse, feed and ground, and fuel in the tank.',
    });
    return;
  }
  const untilUs = Math.min(rest.toUs, began.fromUs + limits.primeWithinS * 1e6);
  const peak = valuesWithin(delta, began.fromUs, untilUs).reduce((a, b) => Math.max(a, b), Number.NEGATIVE_INFINITY);
  const settled = settledLevel(delta, began.fromUs, untilUs, rest.toUs) ?? peak;
  const band = Math.max(limits.primeBandShare * target, limits.primeBandLeastKpa);
  const over = peak > target * (1 + limits.primeOvershootShare);
  const off = Math.abs(settled - target) > band;
  addVerdict(rest, {
    ...common,
    ok: !over && !off,
    ...(over || off ? { atUs: began.fromUs } : {}),
    measured: Number((over ? peak : settled).toFixed(1)),
    limit: Number((over ? target * (1 + limits.primeOvershootShare) : settled < target ? target - band : target + band).toFixed(1)),
    unit: 'kPa',
    peakKpa: Number(peak.toFixed(1)),
    settledKpa: Number(settled.toFixed(1)),
    ...(over
      ? said`${set.name} overshoots to ${amount(peak, 'kPa', 0)} at prime: the return is restricted or missing`
      : off
        ? said`${set.name} settles at ${amount(settled, 'kPa', 0)} instead of ${amount(target, 'kPa')}`
        : said`${set.name} primes to ${amount(settled, 'kPa', 0)} and holds`),
    ...(over || off
      ? {
          next: over
            ? 'Look at the return line and the regulator before anything else.'
            : 'Look at pump, feed voltage, filter, regulator setting and its reference hose.',
        }
      : {}),
  });
}

/** The level that a prime settles at: the median from half a second behind the rise until the pump stops (or three seconds). */
function settledLevel(delta: Watched, fromUs: number, untilUs: number, endUs: number): number | undefined {
  return medianWithin(delta, fromUs + 900_000, Math.min(endUs, Math.max(untilUs - 1_500_000, fromUs + 2_000_000)));
}
