// The throttle swept to both ends on a resting engine: whether it reaches them, and goes there smoothly. Pure.
import { addVerdict, type Rest, signalsOf } from './resting-readings.ts';
import type { LimitsOf } from './usual-limits.ts';
import { firstAtOrAfter, medianOf, type Watched, watch } from './watch.ts';

/** A sweep that covers less than this says nothing, percent. */
const movedPercent = 15;

/** What a sweep did that no foot does. */
interface Jump {
  atUs: number;
  by: number;
  /** Where it stood before. */
  near: number;
}

export function checkThrottle(rest: Rest): void {
  const channel = rest.vehicle.engine?.roles.throttle;
  const throttle = toPercent(rest, watch(rest.series, channel, undefined));
  if (!throttle || channel === undefined) {
    rest.result.notJudged?.push({ what: 'the throttle', line: 'engine: { throttle: <channel> }' });
    return;
  }
  const sweep = within(throttle, rest);
  const low = endOf(sweep, -1);
  const high = endOf(sweep, 1);
  if (!(high.seen - low.seen > movedPercent)) {
    rest.result.notJudged?.push({ what: 'the throttle (it did not move)', line: 'sweep it slowly to both ends, twice' });
    return;
  }
  const { limits } = rest;
  const jump = findJump(sweep, limits);
  const isShort = low.perhaps > limits.throttleClosedPercent || high.perhaps < limits.throttleOpenPercent;
  const sawEnds = low.seen <= limits.throttleClosedPercent && high.seen >= limits.throttleOpenPercent;
  const everyS = (medianOf(sweep.timeUs.slice(1).map((at, i) => at - (sweep.timeUs[i] as number))) ?? 0) / 1e6;
  const isSlow = everyS * 1000 >= limits.throttleSamplesMs;
  if (!jump && !isShort && !sawEnds) {
    const seen = `its samples, ${everyS.toFixed(1)} s apart, show it from ${low.seen.toFixed(1)} to ${high.seen.toFixed(1)} %`;
    rest.result.notJudged?.push({ what: `the ends of ${channel} (${seen})`, line: 'hold it at each end for a second or two' });
  }
  if (!jump && isSlow) {
    const what = `whether ${channel} goes smoothly (its samples are ${everyS.toFixed(1)} s apart)`;
    rest.result.notJudged?.push({ what, line: 'let the controller send it more often, or look at its own page' });
  }
  if (jump || isShort || sawEnds) addSweep(rest, channel, { low: low.seen, high: high.seen, jump, isShort, isSmooth: !isSlow });
}

function addSweep(
  rest: Rest,
  channel: string,
  { low, high, jump, isShort, isSmooth }: { low: number; high: number; jump: Jump | undefined; isShort: boolean; isSmooth: boolean },
): void {
  const { throttleClosedPercent, throttleOpenPercent, throttleJumpPercent } = rest.limits;
  const ends = `from ${low.toFixed(1)} to ${high.toFixed(1)} %`;
  const missesClosed = low > throttleClosedPercent;
  addVerdict(rest, {
    code: 'throttle-range',
    ok: !isShort && jump === undefined,
    channel,
    ...(jump ? { atUs: jump.atUs } : {}),
    measured: Number((jump ? jump.by : missesClosed ? low : high).toFixed(1)),
    limit: jump ? throttleJumpPercent : missesClosed ? throttleClosedPercent : throttleOpenPercent,
    unit: '%',
    from: Number(low.toFixed(1)),
    to: Number(high.toFixed(1)),
    say: jump
      ? `${channel} jumps at ${jump.near.toFixed(0)} % of its way: a dead spot or a loose wire`
      : isShort
        ? `${channel} goes ${ends} only`
        : `${channel} goes ${isSmooth ? 'smoothly ' : ''}${ends}`,
    ...(jump
      ? { next: 'Sweep again slowly while moving its plug; a dead spot that stays means a worn sensor.' }
      : isShort
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

function within({ channel, timeUs, value, badUs }: Watched, { fromUs, toUs }: Rest): Watched {
  const from = firstAtOrAfter(timeUs, fromUs);
  const to = firstAtOrAfter(timeUs, toUs);
  return {
    channel,
    timeUs: timeUs.subarray(from, to),
    value: value.subarray(from, to),
    badUs: badUs.subarray(firstAtOrAfter(badUs, fromUs + 1), firstAtOrAfter(badUs, toUs)),
  };
}

/**
 * The farthest sample, and how far it may have gone between two: a throttle that turns at once at its end is nearly never sampled there. A
 * turn from a steps of `a` a sample into steps of `b` lies within ab / (a + b) beyond its farthest sample.
 */
function endOf({ value }: Watched, sign: 1 | -1): { seen: number; perhaps: number } {
  let far = 0;
  for (let i = 1; i < value.length; i++) if (sign * ((value[i] as number) - (value[far] as number)) > 0) far = i;
  const seen = value[far] ?? Number.NaN;
  const stands = (i: number) => Math.abs((value[i] ?? Number.NaN) - seen) < restingPercent;
  let from = far;
  let to = far;
  while (stands(from - 1)) from--;
  while (stands(to + 1)) to++;
  // Two alike may be the two sides of a turn.
  if (to - from + 1 >= heldSamples) return { seen, perhaps: seen };
  const before = largestStep(value, from, -1);
  const behind = largestStep(value, to, 1);
  const beyond = before + behind > 0 ? (before * behind) / (before + behind) : 0;
  return { seen, perhaps: seen + sign * beyond };
}

/** Of the two on one side of a sample. */
function largestStep(value: Float64Array, index: number, side: 1 | -1): number {
  const at = (i: number) => value[index + side * i] ?? Number.NaN;
  return Math.max(0, ...[Math.abs(at(1) - at(0)), Math.abs(at(2) - at(1))].filter((step) => !Number.isNaN(step)));
}

/** So many alike in a row: it was held there. */
const heldSamples = 3;
/** A smaller step between two samples is no movement. */
const restingPercent = 0.3;
/** The pace of a sweep is looked for this far before and behind a jump. */
const aroundUs = 3_000_000;
/** A throttle that drops out comes back within this; behind the shorter time only if it goes on as it went before. */
const awayMaxUs = 2_500_000;
const awayShortUs = 1_000_000;
/** There and back in less: no foot. */
const flashUs = 250_000;
const paceStepsMin = 2;

/** Readings that drop out on the way, a jump that no foot makes, or one that stands out of the movement around it. */
function findJump(sweep: Watched, limits: LimitsOf<'key-on'>): Jump | undefined {
  const { timeUs, value, badUs } = sweep;
  for (let i = 1; i < timeUs.length; i++) {
    const by = stepOf(sweep, i);
    if (Math.abs(by) > limits.throttleJumpPercent && isJump(sweep, i, limits))
      return { atUs: timeUs[i] as number, by, near: value[i - 1] as number };
  }
  const [bad] = badUs;
  if (bad === undefined) return undefined;
  return { atUs: bad, by: 0, near: value[Math.max(0, firstAtOrAfter(timeUs, bad) - 1)] ?? 0 };
}

const stepOf = ({ value }: Watched, i: number): number => (value[i] as number) - (value[i - 1] as number);
const rateOf = (sweep: Watched, i: number): number =>
  stepOf(sweep, i) / (((sweep.timeUs[i] as number) - (sweep.timeUs[i - 1] as number)) / 1e6);

function isJump(sweep: Watched, i: number, limits: LimitsOf<'key-on'>): boolean {
  const { timeUs, value } = sweep;
  const at = timeUs[i] as number;
  const beforeUs = timeUs[i - 1] as number;
  const seconds = (at - beforeUs) / 1e6;
  const isSparse = seconds * 1000 >= limits.throttleSamplesMs;
  if (!isSparse && Math.abs(stepOf(sweep, i)) > (1e5 / limits.throttleFastestMs) * seconds) return true;
  const before = paceWithin(sweep, i - 1, -1, limits);
  const least = limits.throttleStandsOutTimes * before.pace;
  const back = comesBack(sweep, i, limits);
  if (back !== undefined) {
    const behind = paceWithin(sweep, back, 1, limits);
    const pace = Math.max(before.pace, behind.pace);
    const backUs = timeUs[back] as number;
    const moves = before.steps >= paceStepsMin || behind.steps >= paceStepsMin;
    const goesOn = before.steps >= paceStepsMin && behind.steps >= paceStepsMin && before.sign * behind.sign > 0;
    const wayPercent = Math.abs((value[back] as number) - (value[i - 1] as number));
    const isOnItsWay = wayPercent <= Math.max(limits.throttleJumpPercent, (1.5 * pace * (backUs - beforeUs)) / 1e6);
    const standsOut = Math.min(Math.abs(rateOf(sweep, i)), Math.abs(rateOf(sweep, back))) > limits.throttleStandsOutTimes * pace;
    if (isSparse) return goesOn && isOnItsWay && back === i + 1 && standsOut;
    if (isOnItsWay && backUs - beforeUs <= flashUs && standsAlone(sweep, i, back)) return true;
    const isSure = goesOn || (moves && backUs - beforeUs <= awayShortUs);
    if (isOnItsWay && isSure && standsOut) return true;
  }
  if (isSparse || before.steps < paceStepsMin || Math.abs(rateOf(sweep, i)) <= least) return false;
  // A jump that stays: it goes on behind as slowly as it came.
  const behind = paceWithin(sweep, i, 1, limits);
  const sign = Math.sign(stepOf(sweep, i));
  return (
    behind.steps >= paceStepsMin &&
    behind.sign === sign &&
    before.sign === sign &&
    Math.abs(rateOf(sweep, i)) > limits.throttleStandsOutTimes * behind.pace
  );
}

/** It stood nearly still before and behind: not the turn of a sweep that is fast all along. */
function standsAlone(sweep: Watched, left: number, back: number): boolean {
  const isCalm = (i: number, beside: number) =>
    i < 1 || i >= sweep.timeUs.length || 3 * Math.abs(stepOf(sweep, i)) < Math.abs(stepOf(sweep, beside));
  return isCalm(left - 1, left) && isCalm(back + 1, back);
}

/** The sample with which it is back where it left, by a step as sudden; undefined when it stays away. */
function comesBack(sweep: Watched, i: number, { throttleJumpPercent }: LimitsOf<'key-on'>): number | undefined {
  const { timeUs } = sweep;
  const left = stepOf(sweep, i);
  const everyUs = (timeUs[i] as number) - (timeUs[i - 1] as number);
  for (let j = i + 1; j < timeUs.length && (timeUs[j] as number) - (timeUs[i] as number) <= Math.max(awayMaxUs, 1.5 * everyUs); j++) {
    const step = stepOf(sweep, j);
    if (Math.abs(step) > throttleJumpPercent && Math.sign(step) === -Math.sign(left)) return j;
  }
  return undefined;
}

/** How fast it moves up to a sample, or from it on (percent a second), in how many steps, and which way most of them go. */
function paceWithin(
  sweep: Watched,
  index: number,
  side: 1 | -1,
  { throttleJumpPercent }: LimitsOf<'key-on'>,
): { pace: number; steps: number; sign: number } {
  const { timeUs } = sweep;
  const everyUs = Math.abs((timeUs[index + side] ?? (timeUs[index] as number)) - (timeUs[index] as number));
  const reachUs = Math.max(aroundUs, 3.5 * everyUs);
  let pace = 0;
  let steps = 0;
  let sign = 0;
  for (let k = index; ; k += side) {
    const i = side < 0 ? k : k + 1;
    if (i < 1 || i >= timeUs.length) break;
    if (Math.abs((timeUs[side < 0 ? i - 1 : i] as number) - (timeUs[index] as number)) > reachUs) break;
    const step = stepOf(sweep, i);
    if (Math.abs(step) > throttleJumpPercent) break;
    if (Math.abs(step) < restingPercent) continue;
    pace = Math.max(pace, Math.abs(rateOf(sweep, i)));
    sign += Math.sign(step);
    steps++;
  }
  return { pace, steps, sign: Math.sign(sign) };
}
