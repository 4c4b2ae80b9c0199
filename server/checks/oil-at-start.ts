// Oil pressure before the first fire and once the engine runs. Pure.
import type { Bout } from './engine-run.ts';
import { amount, said } from './said.ts';
import { round, type StartCheck } from './start-check.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CrankingBout } from './verdict.ts';
import { firstAtOrAfter, heldFor, valueAt, valuesWithin, type Watched, watch } from './watch.ts';

export function judgeOilBeforeFire(check: StartCheck): void {
  const dry = check.bouts.filter((bout) => bout.dry && bout.runsUs === undefined);
  const oil = dry.length > 0 ? watchOil(check) : undefined;
  const [first] = dry;
  if (!oil || !first) return;
  const { limits } = check;
  const seen = dry.map((bout) => heldFor(oil, bout.fromUs, bout.toUs, 200_000, (kpa) => kpa >= limits.oilCrankingKpa)).find(Boolean);
  const turned = dry.reduce((sum, bout) => sum + bout.toUs - bout.fromUs, 0) / 1e6;
  const cranked = dry.reduce((sum, bout) => sum + watchedFor(oil, bout), 0) / 1e6;
  if (!seen && cranked < limits.oilCrankedForS) {
    if (turned >= limits.oilCrankedForS)
      check.notJudged('oil pressure while cranking without fuel', `nothing: ${oil.channel} gave no number while the starter turned`);
    return;
  }
  const most = Math.max(...dry.map((bout) => maximum(valuesWithin(oil, bout.fromUs, bout.toUs))));
  const last = dry.at(-1) as Bout;
  check.add({
    code: 'oil-pressure',
    ok: seen !== undefined,
    channel: oil.channel,
    at: check.at(seen ? seen.fromUs : last.toUs),
    measured: round(most),
    limit: limits.oilCrankingKpa,
    phase: 'cranking',
    steady: dry.some((bout) => isSteady(oil, bout, limits)),
    say: seen
      ? `oil pressure came while cranking without fuel, ${((seen.fromUs - first.fromUs) / 1e6).toFixed(1)} s from the first turn`
      : `no oil pressure in ${cranked.toFixed(0)} s of cranking without fuel`,
    ...(seen
      ? {}
      : { next: 'Do not fire it. Look for oil in the pump, a dry pick-up, the relief valve, the sensor and its line; prime by hand.' }),
  });
}

const steadyLookUs = 250_000;

/** Pressure stayed over the limit and near one level for a while: the pump draws oil, not air. */
function isSteady(oil: Watched, { fromUs, toUs }: Bout, limits: LimitsOf<'first-start'>): boolean {
  const steadyForUs = limits.oilSteadyForS * 1e6;
  for (let at = fromUs + steadyForUs; at <= toUs; at += steadyLookUs) {
    const values = valuesWithin(oil, at - steadyForUs, at);
    const [low, high] = [minimum(values), maximum(values)];
    if (values.length >= 3 && low >= limits.oilCrankingKpa && high - low <= limits.oilSteadyShare * high) return true;
  }
  return false;
}

/** Every turn of the engine, timed. */
export function toCrankingBouts(check: StartCheck): CrankingBout[] {
  const oil = watch(check.series, check.vehicle.engine?.roles.oilPressure, 'kPa');
  const { limits, series } = check;
  return check.bouts.map(({ fromUs, toUs, runsUs, dry }, i) => {
    const crankedUs = (runsUs ?? toUs) - fromUs;
    const before = check.bouts[i - 1];
    const values = oil ? valuesWithin(oil, fromUs, runsUs ?? toUs) : new Float64Array(0);
    return {
      at: check.at(fromUs),
      seconds: round(crankedUs / 1e6),
      dry,
      ran: runsUs !== undefined,
      turning: series.endUs - toUs < stillTurnsUs,
      tooLong: crankedUs > limits.crankedMostS * 1e6,
      restWantedS: limits.restedS,
      restS: before ? round((fromUs - before.toUs) / 1e6) : null,
      oilKpa: values.length > 0 ? round(maximum(values)) : null,
    };
  });
}

const stillTurnsUs = 500_000;

export function judgeOilRunning(check: StartCheck, runsUs: number, endUs: number): void {
  const oil = watchOil(check);
  if (!oil) return;
  const { limits } = check;
  const deadlineUs = runsUs + limits.oilRunningWithinS * 1e6;
  const came = heldFor(oil, runsUs - 2_000_000, Math.min(endUs, deadlineUs), 100_000, (kpa) => kpa >= limits.oilRunningKpa);
  const common = { code: 'oil-pressure', channel: oil.channel, limit: limits.oilRunningKpa, unit: 'kPa', phase: 'running' };
  if (!came && endUs >= deadlineUs) {
    const kpa = valueAt(oil, deadlineUs);
    check.add({
      ...common,
      ok: false,
      stop: true,
      at: check.at(deadlineUs),
      measured: kpa === undefined ? null : round(kpa),
      ...(kpa === undefined
        ? said`${oil.channel} gives no number ${limits.oilRunningWithinS} s after the engine runs`
        : said`oil pressure is ${amount(kpa, 'kPa', 0)} ${limits.oilRunningWithinS} s after the engine runs`),
      next: 'Shut down now. Do not start again before the pressure has been seen while cranking without fuel.',
    });
    return;
  }
  if (!came) {
    check.result.due = check.at(deadlineUs);
    return;
  }
  const lost = heldFor(oil, came.sureUs, endUs - 500_000, limits.oilLostForMs * 1000, (kpa) => kpa < limits.oilRunningKpa);
  const gone = lost ? undefined : lastGoodBefore(oil, endUs - 1_500_000);
  const bad = lost ? lost.sureUs : gone;
  check.add({
    ...common,
    ok: bad === undefined,
    at: check.at(bad ?? came.fromUs),
    measured: bad === undefined ? round(came.value) : lost ? round(lost.value) : null,
    ...(lost
      ? said`oil pressure fell below ${amount(limits.oilRunningKpa, 'kPa')} while the engine runs`
      : gone !== undefined
        ? said`${oil.channel} gives no number any more while the engine runs`
        : said`oil pressure came ${Math.max(0, (came.fromUs - runsUs) / 1e6).toFixed(1)} s after the engine runs and stayed`),
    ...(bad === undefined ? {} : { stop: true, next: 'Shut down now.' }),
  });
}

function watchOil(check: StartCheck): Watched | undefined {
  const channel = check.vehicle.engine?.roles.oilPressure;
  const oil = watch(check.series, channel, 'kPa');
  if (!oil) {
    check.notJudged('oil pressure', channel ? `nothing: ${channel} never came` : 'engine: { oil_pressure: <channel> }');
    return undefined;
  }
  const signal = check.vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals)).find(({ name }) => name === channel);
  if (signal?.reference !== 'absolute') return oil;
  const barometer = check.vehicle.engine?.barometer;
  const around = barometer && 'channel' in barometer ? watch(check.series, barometer.channel, 'kPa') : undefined;
  const typed = barometer && 'valueKpa' in barometer ? barometer.valueKpa : 101.325;
  return { ...oil, value: oil.value.map((value, i) => value - ((around && valueAt(around, oil.timeUs[i] as number)) ?? typed)) };
}

/** Time of the last number when it came before `untilUs`; undefined when numbers go on. */
function lastGoodBefore(watched: Watched, untilUs: number): number | undefined {
  const last = watched.timeUs[watched.timeUs.length - 1];
  return last !== undefined && last < untilUs ? last : undefined;
}

const minimum = (values: Float64Array) => values.reduce((low, value) => Math.min(low, value), Number.POSITIVE_INFINITY);
const maximum = (values: Float64Array) => values.reduce((high, value) => Math.max(high, value), Number.NEGATIVE_INFINITY);

/** How long of a bout the sensor gave numbers, microseconds: from its first number in it to its last. */
function watchedFor(oil: Watched, bout: Bout): number {
  const from = firstAtOrAfter(oil.timeUs, bout.fromUs);
  const to = firstAtOrAfter(oil.timeUs, bout.toUs + 1) - 1;
  return to > from ? (oil.timeUs[to] as number) - (oil.timeUs[from] as number) : 0;
}
