// The engine's arithmetic, one formula each, with its source and a worked number that a test repeats (docs/formulas.md).
import type { Reference } from '../definitions/vehicle.ts';

/**
 * Injector duty cycle: the share of each injection period that the injector is open.
 *
 * @param pulseMs Opening time of one injection, milliseconds.
 * @param engineSpeedRpm Crankshaft speed, revolutions per minute.
 * @param injectionsPerCycle Injections per engine cycle: 1 sequential, 2 batch.
 * @param cycleRevolutions Revolutions of the crankshaft per engine cycle: 2 four-stroke, 1 two-stroke.
 * @returns Percent; above 100 the injector never closes (held open).
 * Worked: 10 ms at 6000 rpm, one injection a four-stroke cycle, is 50 %; 15 ms is 75 %. Source: arithmetic, common practice.
 */
export function dutyPercent(pulseMs: number, engineSpeedRpm: number, injectionsPerCycle: number, cycleRevolutions: number): number {
  return (pulseMs * engineSpeedRpm * injectionsPerCycle) / (600 * cycleRevolutions);
}

/**
 * Flow of a wide-open injector at another pressure drop: it goes with the square root of the drop.
 *
 * @param ratedFlow In any unit of flow, at `ratedKpa` of pressure drop.
 * @param deltaKpa Rail pressure less discharge pressure, kPa; at or below 0 nothing flows.
 * Worked: 440 cc/min at 300 kPa is 508.0682 at 400 kPa and 401.6632 at 250 kPa. Source: Bernoulli; Q2 = Q1 × √(Δp2 / Δp1).
 */
export function staticFlow(ratedFlow: number, ratedKpa: number, deltaKpa: number): number {
  return deltaKpa <= 0 ? 0 : ratedFlow * Math.sqrt(deltaKpa / ratedKpa);
}

/**
 * Mean flow of one injector: static flow for the part of the period in which it is open, capped at static when it is held open.
 *
 * @param pulseMs Opening time of one injection with its dead time, milliseconds.
 * @param deadMs Time without flow at each injection, milliseconds.
 * @param periodMs From one injection to the next, milliseconds.
 * @returns In the unit of `flow`.
 * Worked: 1000 cc/min, 6 ms pulse, 1 ms dead, 20 ms period is 250 cc/min; at a 25 ms pulse it is 1000. Source: common practice.
 */
export function injectorFlow(flow: number, pulseMs: number, deadMs: number, periodMs: number): number {
  return flow * Math.min(1, Math.max(0, pulseMs - deadMs) / periodMs);
}

/**
 * Time from one injection to the next.
 * Worked: 6000 rpm, four-stroke (2 revolutions a cycle), one injection a cycle is 20 ms; two injections 10 ms.
 */
export function injectionPeriodMs(engineSpeedRpm: number, injectionsPerCycle: number, cycleRevolutions: number): number {
  return (60_000 * cycleRevolutions) / (engineSpeedRpm * injectionsPerCycle);
}

/** How many times the barometer is added to rail minus discharge to make both pressures alike. */
export type BarometerShare = -1 | 0 | 1;

/**
 * How rail minus discharge becomes a true difference: gauge pressures count from the barometer, absolute ones from nothing. Undefined when
 * one of the two doesn't say what it is: the tool doesn't guess.
 * Worked: rail 300 kPa gauge, manifold 200 kPa absolute, barometer 100 kPa: 300 + 100 - 200 = 200 kPa.
 */
export function barometerShare(rail: Reference | undefined, discharge: Reference | undefined): BarometerShare | undefined {
  if (rail !== 'gauge' && rail !== 'absolute') return undefined;
  if (discharge !== 'gauge' && discharge !== 'absolute') return undefined;
  if (rail === discharge) return 0;
  return rail === 'gauge' ? 1 : -1;
}

/**
 * What a probe with a first-order lag sits in: T + lag × dT/dt. An estimate with more noise than the reading; never held against a limit
 * that is meant for the indicated temperature.
 * Worked: 700 degC rising by 100 K/s with a lag of 0.8 s is 780 degC.
 */
export function gasTemperature(indicated: number, lagS: number, ratePerS: number): number {
  return indicated + lagS * ratePerS;
}

/**
 * By how much the noise of the lag-corrected value exceeds that of single readings: the slope is a least-squares fit over `windowS` with
 * `samplesPerS`, so its error is σ / √Σ(t - t̄)², and what counts is the slope's part, lag × that.
 * Worked: lag 1 s, 20 samples a second: 28 over 50 ms (two samples), 1.9 over 0.5 s, 0.7 over 1 s. Source: least squares.
 */
export function lagNoiseGain(lagS: number, windowS: number, samplesPerS: number): number {
  const samples = Math.round(windowS * samplesPerS) + 1;
  const stepS = 1 / samplesPerS;
  const squares = (stepS * stepS * samples * (samples * samples - 1)) / 12;
  return lagS / Math.sqrt(squares);
}

/**
 * Seconds until a rising value meets a limit, at its present rate; 0 when it is there, undefined when it isn't rising.
 * Worked: 740 degC rising 20 K/s meets 780 degC in 2 s.
 */
export function timeToLimit(value: number, limit: number, ratePerS: number): number | undefined {
  if (value >= limit) return 0;
  return ratePerS > 0 ? (limit - value) / ratePerS : undefined;
}
