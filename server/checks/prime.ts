// The prime of each set of injectors on a resting engine: every run of the pump, where it settles, and whether it overshoots. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet } from '../definitions/vehicle.ts';
import { fromPumpOn, whyNeverPrimed } from './led-primes.ts';
import { findPrimeBouts, type PrimeBout } from './prime-bouts.ts';
import { addNotJudged, addVerdict, type Rest, signalsOf, spanOf } from './resting-readings.ts';
import { amount, said } from './said.ts';
import type { Guide } from './step-state.ts';
import { medianWithin, type Watched, watch } from './watch.ts';

/** A peak of less than this share of the level behind it is no overshoot of its own. */
const staysShare = 1.1;
/** In a shorter recording nobody can have primed. */
const shortestUs = 5_000_000;

export function checkPrimes(rest: Rest, guide: Guide | undefined): void {
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
  const bouts = findPrimeBouts(delta, target, rest);
  const [first] = bouts;
  if (!first) {
    judgeNeverPrimed(rest, set, target, delta);
    return;
  }
  const band = Math.max(limits.primeBandShare * target, limits.primeBandLeastKpa);
  const most = target * (1 + limits.primeOvershootShare);
  const decides = decidingBout(bouts, target, band);
  const isRight = decides !== undefined && Math.abs((decides.settledKpa ?? decides.highestKpa) - target) <= band;
  const stays = (bout: PrimeBout) =>
    bout.settledKpa !== undefined && bout.settledKpa > target + band && bout.peakKpa < staysShare * bout.settledKpa;
  const raised = isRight ? bouts.slice(bouts.indexOf(decides) + 1).filter(stays) : [];
  const over = bouts.find((bout) => bout.peakKpa > most && !raised.includes(bout));
  for (const { settledKpa = 0 } of raised) {
    addNotJudged(
      rest,
      said`a later prime of ${set.name} (it held ${amount(settledKpa, 'kPa', 0)}: air on its reference?)`,
      'nothing: on the Checks page the step behind the leak hold takes the pressure of the air, and judges it',
    );
  }
  if (!over && decides === undefined) {
    const seconds = Math.max(...bouts.map(({ fromUs, toUs }) => toUs - fromUs)) / 1e6;
    const reached = Math.max(...bouts.map(({ highestKpa }) => highestKpa));
    addNotJudged(
      rest,
      said`the prime of ${set.name} (it reached ${amount(reached, 'kPa', 0)} in ${amount(seconds, 's', 1)}, and its pump stopped before it was seen to settle)`,
      `let the pump run for ${limits.primeWithinS} s or longer`,
    );
    return;
  }
  const bout = over ?? decides ?? first;
  const settled = bout.settledKpa ?? bout.highestKpa;
  const off = Math.abs(settled - target) > band;
  const shaken = over || off ? movedWithPump(rest, set, bout) : undefined;
  if (shaken !== undefined) {
    rest.result.notJudged?.push({
      what: `the prime of ${set.name} (${shaken}, which shares a wire with its sensor, moves with the pump)`,
      line: 'mend that supply or ground, then prime again',
    });
    return;
  }
  const staysHigh = over !== undefined && stays(over);
  addVerdict(rest, {
    code: 'prime',
    set: set.name,
    channel: delta.channel,
    ok: !over && !off,
    ...(over || off ? { atUs: bout.fromUs } : {}),
    measured: Number((over ? bout.peakKpa : settled).toFixed(1)),
    limit: Number((over ? most : settled < target ? target - band : target + band).toFixed(1)),
    unit: 'kPa',
    peakKpa: Number(bout.peakKpa.toFixed(1)),
    settledKpa: Number(settled.toFixed(1)),
    ...(staysHigh
      ? said`${set.name} goes to ${amount(bout.peakKpa, 'kPa', 0)} at prime and stays there, instead of ${amount(target, 'kPa')}: the regulator is set too high, or the return is restricted`
      : over
        ? said`${set.name} overshoots to ${amount(bout.peakKpa, 'kPa', 0)} at prime: the return is restricted or missing`
        : off
          ? said`${set.name} settles at ${amount(settled, 'kPa', 0)} instead of ${amount(target, 'kPa')}`
          : said`${set.name} primes to ${amount(settled, 'kPa', 0)}${bout === first ? ' and holds' : ` and holds, the ${bouts.indexOf(bout) + 1}${bouts.indexOf(bout) === 1 ? 'nd' : 'th'} time`}`),
    ...(over || off
      ? {
          next: over
            ? 'Look at the return line and the regulator before anything else.'
            : 'Look at pump, feed voltage, filter, regulator setting and its reference hose.',
        }
      : {}),
  });
}

/**
 * The run of the pump that decides: one that sank too low behind a right one, else the first right one (a first prime has air in the rails,
 * a later one may have air on its reference), else the first that settled. Undefined when the pump stopped before anything settled.
 */
function decidingBout(bouts: readonly PrimeBout[], target: number, band: number): PrimeBout | undefined {
  const levelOf = (bout: PrimeBout) => bout.settledKpa ?? (bout.highestKpa >= target - band ? bout.highestKpa : undefined);
  const known = bouts.filter((bout) => levelOf(bout) !== undefined);
  const right = known.findIndex((bout) => Math.abs((levelOf(bout) as number) - target) <= band);
  const sank = right < 0 ? undefined : known.slice(right + 1).find((bout) => (levelOf(bout) as number) < target - band);
  return sank ?? known[Math.max(0, right)];
}

function judgeNeverPrimed(rest: Rest, set: InjectorSet, target: number, delta: Watched): void {
  const level = medianWithin(delta, rest.fromUs, rest.toUs);
  if (level === undefined) {
    rest.result.notJudged?.push({
      what: `the prime of ${set.name} (its fuel pressure delta carries no number)`,
      line: `nothing: ${set.rail} and ${set.discharge ?? 'its discharge pressure'} must give one`,
    });
    return;
  }
  if (level > rest.limits.railHoldsShare * target) {
    addNotJudged(
      rest,
      said`the prime of ${set.name} (its rail held ${amount(level, 'kPa', 0)} from before, and did not rise)`,
      'bleed the rail, then prime',
    );
    return;
  }
  if (rest.toUs - rest.fromUs < shortestUs) return;
  addVerdict(rest, {
    code: 'prime',
    set: set.name,
    channel: delta.channel,
    ok: false,
    atUs: rest.fromUs,
    measured: Number(level.toFixed(1)),
    limit: target,
    unit: 'kPa',
    say: `${set.name} was never primed: its pump did not run, or was left disabled`,
    next: 'Enable the pump and key on again; then its relay, fuse, feed and ground, and fuel in the tank.',
  });
}

/** A channel of the rail's supply or ground that was found to shift, and did with this prime: the rail can't be trusted then. */
function movedWithPump(rest: Rest, { rail }: InjectorSet, bout: PrimeBout): string | undefined {
  const { vehicle, result, series, limits } = rest;
  const groups = [...vehicle.supplies.values(), ...vehicle.grounds.values()].filter(
    (members) => rail !== undefined && members.includes(rail),
  );
  const shifted = result.verdicts.flatMap(({ code, ok, channels }) => (code === 'supply-shift' && !ok ? (channels as string[]) : []));
  return shifted.find((name) => {
    const watched = watch(series, name, undefined);
    const signal = signalsOf(vehicle).find((one) => one.name === name);
    if (name === rail || !watched || !signal || (groups.length > 0 && !groups.some((members) => members.includes(name)))) return false;
    const before = medianWithin(watched, bout.fromUs - 2_000_000, bout.fromUs - 500_000);
    const during = medianWithin(watched, bout.fromUs + 300_000, bout.fromUs + 1_500_000);
    return before !== undefined && during !== undefined && Math.abs(during - before) > limits.shiftShare * spanOf(signal);
  });
}
