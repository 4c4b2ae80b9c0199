// What belongs to a prime besides its level: whether a pump ever ran, the fall behind it, and the prime at reference pressure. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet } from '../definitions/vehicle.ts';
import { findPrimeBouts } from './prime-bouts.ts';
import { addVerdict, type Rest } from './resting-readings.ts';
import { amount, said } from './said.ts';
import { type Guide, stretchOf } from './step-state.ts';
import { heldFor, medianWithin, slopeWithin, valuesWithin, type Watched, watch } from './watch.ts';

/**
 * Why no set can be judged: nothing says that a pump ever ran. Undefined when one did: a rail rose, a person confirmed the pump in its
 * step, or, behind the throttle's sweep, something drew current for longer than a switched load.
 */
export function whyNeverPrimed(rest: Rest, guide: Guide | undefined): string | undefined {
  const pump = guide?.steps['pump-on'];
  if (pump?.state === 'done') return undefined;
  if (pump?.state === 'skipped') return 'enabling the pump was skipped';
  const rose = rest.vehicle.injectorSets.some((set) => {
    const delta = set.targetKpa === undefined ? undefined : watch(rest.series, `fuel_delta_${toNamePart(set.name)}`, 'kPa');
    return delta && findPrimeBouts(delta, set.targetKpa as number, rest).length > 0;
  });
  return rose || somethingRanBehindSweep(rest) ? undefined : 'no rail rose: its pump was left disabled, or never ran';
}

/** A load of longer than the others, the last of all, is the pump: they are switched for seconds. */
function somethingRanBehindSweep(rest: Rest): boolean {
  const { throttle: throttleName, battery } = rest.vehicle.engine?.roles ?? {};
  const throttle = watch(rest.series, throttleName, undefined);
  const volts = watch(rest.series, battery, 'V');
  const sweptUs = throttle && lastMoveUs(throttle, rest);
  if (!volts || sweptUs === undefined) return false;
  const scale = (rest.vehicle.electrical.nominalV ?? 12) / 12;
  const before = medianWithin(volts, sweptUs, sweptUs + 1_000_000);
  if (before === undefined) return false;
  const { pumpRanForS, pumpRanVolts } = rest.limits;
  const low = before - pumpRanVolts * scale;
  return heldFor(averagedVolts(volts), sweptUs, rest.toUs, pumpRanForS * 1e6, (value) => value < low) !== undefined;
}

function averagedVolts(volts: Watched): Watched {
  const half = 12;
  const value = volts.value.map((_, i) => {
    const part = volts.value.subarray(Math.max(0, i - half), i + half + 1);
    return part.reduce((sum, one) => sum + one, 0) / part.length;
  });
  return { ...volts, value };
}

/** When the throttle last moved by a seventh of its way; undefined when it never did. */
function lastMoveUs(throttle: Watched, rest: Rest): number | undefined {
  const values = valuesWithin(throttle, rest.fromUs, rest.toUs);
  const low = values.reduce((a, b) => Math.min(a, b), Number.POSITIVE_INFINITY);
  const high = values.reduce((a, b) => Math.max(a, b), Number.NEGATIVE_INFINITY);
  if (!(high - low > 15)) return undefined;
  for (let i = throttle.timeUs.length - 1; i >= 0; i--) {
    if ((throttle.timeUs[i] as number) <= rest.toUs && (throttle.value[i] as number) > low + (high - low) / 7) return throttle.timeUs[i];
  }
  return undefined;
}

/** Fitting the relay with the key on may start the pump: the prime is looked for from there on. */
export function fromPumpOn(rest: Rest, guide: Guide | undefined): Rest {
  const stretch = guide && stretchOf(guide, 'pump-on', rest.series);
  return stretch && stretch !== 'whole' ? { ...rest, fromUs: Math.min(rest.fromUs, stretch.fromUs) } : rest;
}

/** Leak-down and the prime at reference pressure: only a person's steps say when they are. */
export function judgeLedPrimes(rest: Rest, guide: Guide): void {
  const leak = stretchOf(guide, 'leak-down', rest.series);
  const again = stretchOf(guide, 'prime-again', rest.series);
  for (const set of rest.vehicle.injectorSets) {
    if (leak && leak !== 'whole') measureLeakDown({ ...rest, ...leak }, set);
    if (again && again !== 'whole') judgeAtReference({ ...rest, ...again }, set, guide);
  }
}

/** Never right or wrong alone: a first prime has air in the rail, and many regulators drop to zero by design. */
function measureLeakDown(rest: Rest, { name, rail: channel }: InjectorSet): void {
  const rail = watch(rest.series, channel, 'kPa');
  const fromUs = rest.fromUs + 2_000_000;
  const perS = rail && rest.toUs - fromUs >= 5_000_000 ? slopeWithin(rail, fromUs, rest.toUs) : undefined;
  if (!rail || perS === undefined) return;
  const perMinute = Number((-perS * 60).toFixed(1));
  addVerdict(rest, {
    code: 'leak-down',
    ok: true,
    set: name,
    channel: rail.channel,
    atUs: fromUs,
    measured: perMinute,
    fromKpa: Number((medianWithin(rail, fromUs, fromUs + 1_000_000) ?? 0).toFixed(1)),
    ...said`${rail.channel} falls by ${amount(perMinute, 'kPa', 0)} a minute with the pump off: compare with last time`,
  });
}

function judgeAtReference(rest: Rest, set: InjectorSet, guide: Guide): void {
  const { name, targetKpa } = set;
  const what = `the prime of ${name} at reference pressure`;
  const notJudged = (line: string) => rest.result.notJudged?.push({ what, line });
  const reference = guide.steps.reference?.value;
  const delta = watch(rest.series, `fuel_delta_${toNamePart(name)}`, 'kPa');
  if (set.discharge !== rest.vehicle.engine?.roles.manifoldPressure) {
    notJudged(`nothing: its regulator does not follow the manifold (discharge: ${set.discharge ?? 'not said'})`);
    return;
  }
  if (reference === undefined || targetKpa === undefined || !delta) {
    notJudged(
      reference === undefined
        ? 'nothing: no reference pressure was typed'
        : `injector_sets: { ${name}: { rail: <channel>, target: 300 kPa } }`,
    );
    return;
  }
  if (rest.toUs - rest.fromUs < 5_000_000) return;
  const wanted = targetKpa + reference;
  const kpa = medianWithin(delta, rest.toUs - 2_000_000, rest.toUs);
  const band = Math.max(rest.limits.primeBandShare * wanted, rest.limits.primeBandLeastKpa);
  const ok = kpa !== undefined && Math.abs(kpa - wanted) <= band;
  const stayed = kpa !== undefined && Math.abs(kpa - targetKpa) <= Math.min(band, reference / 2);
  addVerdict(rest, {
    code: 'prime-at-reference',
    ok,
    set: name,
    channel: delta.channel,
    atUs: rest.toUs,
    measured: kpa === undefined ? null : Number(kpa.toFixed(1)),
    limit: Number((kpa !== undefined && kpa > wanted ? wanted + band : wanted - band).toFixed(1)),
    unit: 'kPa',
    ...(kpa === undefined
      ? said`${name} gives no pressure at reference pressure`
      : said`${name} holds ${amount(kpa, 'kPa', 0)} with ${amount(reference, 'kPa')} of air on the reference${ok ? '' : said` instead of ${amount(wanted, 'kPa', 0)}`}`),
    ...(ok
      ? {}
      : {
          next: stayed
            ? 'The regulator does not see the air: look at its hose and diaphragm.'
            : 'Look at pump, feed voltage, return and regulator.',
        }),
  });
}
