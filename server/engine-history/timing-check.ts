// The timing check: readings of a timing light against what the engine controller commanded, offset and delay told apart. Pure.
import studentT from '@stdlib/stats-base-dists-t';
import type { Verdict } from '../checks/verdict.ts';
import { fitLeastSquares } from '../dyno/least-squares.ts';

/** One look through the light. Degrees of crank before top centre, so an ignition that comes late reads less than was commanded. */
export interface TimingReading {
  speedRpm: number;
  /** Read off the damper. */
  lightDeg: number;
  /** What the controller commanded meanwhile: a channel, or typed. */
  commandedDeg: number;
  /** The controller's counter of lost sync as it stood; null or left out where there is none. */
  syncLosses?: number | null | undefined;
}

/** 95 % interval. */
export interface Estimate {
  value: number;
  low: number;
  high: number;
}

export interface TimingJudgement {
  readings: (TimingReading & { errorDeg: number })[];
  /** Mean error where it doesn't grow with speed; else the error at no speed, behind the delay. Negative is late. Null: not enough readings. */
  offsetDeg: Estimate | null;
  /** Time between the tooth and the spark that the controller doesn't allow for; positive makes timing late, the more the faster it turns. */
  delayUs: Estimate | null;
  verdicts: Verdict[];
  notJudged: { what: string; line: string }[];
  /** Load stays blocked until this is true: read below `slowRpm` and above `fastRpm`, and nothing wrong. */
  loadAllowed: boolean;
}

/** Common practice, no source: where the light is held, how well a damper is read, and what counts as right. */
export const timingLimits = {
  slowRpm: 1800,
  fastRpm: 3000,
  /** Standard deviation of one reading with a steady hand. */
  readingDeg: 0.5,
  offsetDeg: 1,
  /** Error that a delay makes between the slowest and the fastest reading. */
  growthDeg: 1,
} as const;

/** A delay of one microsecond at one revolution a minute is so many degrees of crank: 360° × 1/60 s. */
const degPerRpmUs = 6e-6;

/** Judges the readings since the last adjustment, in any order. */
export function judgeTiming(readings: readonly TimingReading[]): TimingJudgement {
  const judged = readings.map((reading) => ({ ...reading, errorDeg: reading.lightDeg - reading.commandedDeg }));
  const speeds = judged.map(({ speedRpm }) => speedRpm);
  const covers = speeds.some((rpm) => rpm <= timingLimits.slowRpm) && speeds.some((rpm) => rpm >= timingLimits.fastRpm);
  const judgement: TimingJudgement = { readings: judged, offsetDeg: null, delayUs: null, verdicts: [], notJudged: [], loadAllowed: false };
  if (judged.length === 0) {
    judgement.notJudged.push({ what: 'ignition timing', line: 'nothing: no reading was typed yet' });
    return judgement;
  }
  const mean = meanError(judged);
  if (!covers) {
    const line = `nothing: read it below ${timingLimits.slowRpm} rpm and above ${timingLimits.fastRpm} rpm, both`;
    judgement.notJudged.push({ what: 'offset and delay apart', line });
    judgement.offsetDeg = mean;
    if (isOff(mean)) judgement.verdicts.push(offVerdict(mean));
    return judgement;
  }
  judgeBoth(judgement, judged, mean);
  judgeSyncHeld(judgement);
  judgement.loadAllowed = judgement.verdicts.every(({ ok }) => ok);
  return judgement;
}

function judgeBoth(judgement: TimingJudgement, judged: TimingJudgement['readings'], mean: Estimate): void {
  const speeds = judged.map(({ speedRpm }) => speedRpm);
  const line = fitLine(judged);
  const growth = line.slope.value * (Math.max(...speeds) - Math.min(...speeds));
  const isDelayed = (line.slope.low > 0 || line.slope.high < 0) && Math.abs(growth) > timingLimits.growthDeg;
  judgement.offsetDeg = isDelayed ? line.offset : mean;
  judgement.delayUs = scaled(line.slope, -1 / degPerRpmUs);
  if (line.residualDeg > 3 * timingLimits.readingDeg) judgement.verdicts.push(scatterVerdict(line.residualDeg));
  judgement.verdicts.push(isDelayed ? delayVerdict(judgement.delayUs, growth) : steadyVerdict(judgement.delayUs, growth));
  judgement.verdicts.push(isOff(judgement.offsetDeg) ? offVerdict(judgement.offsetDeg) : onVerdict(judgement.offsetDeg));
}

/** A light shows one spark: sync that was lost between two looks explains what it shows. */
function judgeSyncHeld({ readings, verdicts }: TimingJudgement): void {
  const counts = readings.flatMap(({ syncLosses }) => syncLosses ?? []);
  const lost = counts.length > 1 ? Math.max(...counts) - Math.min(...counts) : 0;
  if (counts.length < 2) return;
  verdicts.push({
    code: 'sync-loss',
    ok: lost === 0,
    measured: lost,
    limit: 0,
    say: lost === 0 ? 'sync held between the readings' : `sync was lost ${lost} times between the readings`,
    ...(lost === 0 ? {} : { next: 'Look at gap, run-out, shield and polarity of the crank and cam sensors before anything is adjusted.' }),
  });
}

/** Beyond the limit, and more than the readings' own uncertainty. */
function isOff({ value, low, high }: Estimate): boolean {
  return Math.abs(value) > timingLimits.offsetDeg && (low > 0 || high < 0);
}

/** How sure a fit is: by the readings' own scatter where it is larger than that of a steady hand. */
function spreadOf(residualDeg: number, freedom: number): { sigmaDeg: number; quantile: number } {
  const isScattered = freedom > 0 && residualDeg > timingLimits.readingDeg;
  return isScattered
    ? { sigmaDeg: residualDeg, quantile: studentT.quantile(0.975, freedom) }
    : { sigmaDeg: timingLimits.readingDeg, quantile: 1.96 };
}

function meanError(judged: TimingJudgement['readings']): Estimate {
  const n = judged.length;
  const value = judged.reduce((sum, { errorDeg }) => sum + errorDeg, 0) / n;
  const square = judged.reduce((sum, { errorDeg }) => sum + (errorDeg - value) ** 2, 0);
  const { sigmaDeg, quantile } = spreadOf(n > 1 ? Math.sqrt(square / (n - 1)) : 0, n - 1);
  return within(value, (quantile * sigmaDeg) / Math.sqrt(n));
}

/** Error over speed by least squares; with two readings the uncertainty is that of a steady hand. */
function fitLine(judged: TimingJudgement['readings']): { offset: Estimate; slope: Estimate; residualDeg: number } {
  const fit = fitLeastSquares(
    judged.map(({ speedRpm }) => [1, speedRpm]),
    judged.map(({ errorDeg }) => errorDeg),
  );
  const n = judged.length;
  const mean = judged.reduce((sum, { speedRpm }) => sum + speedRpm, 0) / n;
  const about = judged.reduce((sum, { speedRpm }) => sum + (speedRpm - mean) ** 2, 0);
  const { sigmaDeg, quantile } = spreadOf(fit?.residual ?? 0, fit?.freedom ?? 0);
  const [offset = 0, slope = 0] = fit?.coefficients ?? [];
  return {
    offset: within(offset, quantile * sigmaDeg * Math.sqrt(1 / n + mean ** 2 / about)),
    slope: within(slope, (quantile * sigmaDeg) / Math.sqrt(about)),
    residualDeg: fit?.residual ?? 0,
  };
}

function within(value: number, half: number): Estimate {
  return { value, low: value - half, high: value + half };
}

function scaled({ value, low, high }: Estimate, by: number): Estimate {
  const ends = [low * by, high * by];
  return { value: value * by, low: Math.min(...ends), high: Math.max(...ends) };
}

const round = (value: number, digits = 1) => Number(value.toFixed(digits));
const half = ({ low, high }: Estimate) => (high - low) / 2;

function offVerdict(offset: Estimate): Verdict {
  const late = offset.value < 0;
  return {
    code: 'timing-offset',
    ok: false,
    measured: round(offset.value),
    limit: timingLimits.offsetDeg,
    say: `timing is ${Math.abs(offset.value).toFixed(1)}° ${late ? 'late' : 'early'} at every speed (± ${half(offset).toFixed(1)}°)`,
    next: `Move the trigger offset in the engine controller by ${Math.abs(offset.value).toFixed(1)}° so that the spark comes ${late ? 'earlier' : 'later'}, and read again. First make sure that the mark on the damper is true top centre of cylinder 1.`,
  };
}

function onVerdict(offset: Estimate): Verdict {
  return {
    code: 'timing-offset',
    ok: true,
    measured: round(offset.value),
    limit: timingLimits.offsetDeg,
    say: `no offset beyond ${timingLimits.offsetDeg}°: ${round(offset.value)}° ± ${half(offset).toFixed(1)}°`,
  };
}

function delayVerdict(delay: Estimate, growthDeg: number): Verdict {
  const late = delay.value > 0;
  return {
    code: 'timing-delay',
    ok: false,
    measured: round(delay.value, 0),
    limit: 0,
    say: `timing comes ${late ? 'later' : 'earlier'} the faster it turns, ${Math.abs(growthDeg).toFixed(1)}° between the readings: a delay of ${delay.value.toFixed(0)} ± ${half(delay).toFixed(0)} µs that the controller does not allow for`,
    next: late
      ? 'Look at the polarity of the crank sensor first: a wrong one triggers on the far edge of the tooth. Then the input filter, then the delay of coil or ignition module that the controller is told.'
      : 'The delay that the controller is told is too large, or the crank sensor triggers on the other edge of the tooth.',
  };
}

function steadyVerdict(delay: Estimate, growthDeg: number): Verdict {
  return {
    code: 'timing-delay',
    ok: true,
    measured: round(delay.value, 0),
    limit: 0,
    say: `timing keeps with speed: ${round(growthDeg)}° between the readings, ${delay.value.toFixed(0)} ± ${half(delay).toFixed(0)} µs`,
  };
}

function scatterVerdict(residualDeg: number): Verdict {
  return {
    code: 'timing-scatter',
    ok: false,
    measured: round(residualDeg),
    limit: round(3 * timingLimits.readingDeg),
    say: `the readings scatter by ${residualDeg.toFixed(1)}° about a straight line`,
    next: 'Was the commanded timing fixed, and the speed steady? Then a loose damper mark or sensor, a worn cam or distributor drive, electrical noise on the crank sensor.',
  };
}
