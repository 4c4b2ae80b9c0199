// Fuel pressure of each set, and the battery while the starter turns and once the engine charges it. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet } from '../definitions/vehicle.ts';
import { amount, said } from './said.ts';
import { round, type StartCheck } from './start-check.ts';
import { firstAtOrAfter, heldFor, medianWithin, valuesWithin, type Watched, watch } from './watch.ts';

export function judgeFuelDelta(check: StartCheck, set: InjectorSet, runsUs: number, endUs: number): void {
  const { limits } = check;
  const delta = watch(check.series, `fuel_delta_${toNamePart(set.name)}`, 'kPa');
  if (!delta || set.targetKpa === undefined) {
    check.notJudged(`fuel pressure delta of ${set.name}`, fuelLine(set));
    return;
  }
  const target = set.targetKpa;
  const band = Math.max(limits.fuelDeltaShare * target, limits.fuelDeltaLeastKpa);
  const calm = averaged(delta, 200_000);
  const fromUs = runsUs + limits.fuelDeltaAfterS * 1e6;
  const toUs = endUs - 1_000_000;
  if (toUs - fromUs < 500_000) return;
  const off = heldFor(calm, fromUs, toUs, limits.fuelDeltaForMs * 1000, (kpa) => Math.abs(kpa - target) > band);
  const silent = !off && firstAtOrAfter(delta.timeUs, toUs) === firstAtOrAfter(delta.timeUs, fromUs);
  const kpa = off?.value ?? medianWithin(delta, fromUs, toUs);
  check.add({
    code: 'fuel-delta',
    ok: !off && !silent,
    set: set.name,
    channel: delta.channel,
    ...(off ? { at: check.at(off.fromUs) } : {}),
    measured: kpa === undefined ? null : round(kpa),
    limit: off && off.value > target ? round(target + band) : round(target - band),
    unit: 'kPa',
    ...(silent
      ? said`the fuel pressure delta of ${set.name} is not known while the engine runs`
      : off
        ? said`fuel pressure delta of ${set.name} is ${amount(off.value, 'kPa', 0)} instead of ${amount(target, 'kPa')} ± ${amount(band, 'kPa', 0)}`
        : said`fuel pressure delta of ${set.name} holds ${amount(kpa ?? target, 'kPa', 0)}`),
    ...(off
      ? {
          stop: true,
          next:
            off.value < target
              ? `Shut down now. Look at the ${set.name} pump, its feed, the filter and the regulator's reference hose.`
              : `Shut down now. Look at the ${set.name} return line and regulator.`,
        }
      : {}),
  });
}

function fuelLine(set: InjectorSet): string {
  const missing = [
    set.rail ? '' : 'rail: <channel>',
    set.discharge ? '' : 'discharge: <channel>',
    set.targetKpa === undefined ? 'target: 300 kPa' : '',
  ].filter(Boolean);
  const keys =
    missing.length > 0 ? missing.join(', ') : 'reference: gauge or absolute on its pressure signals, and engine: { barometer: ... }';
  return `injector_sets: { ${set.name}: { ${keys} } }`;
}

export function judgeCrankingVoltage(check: StartCheck): void {
  const battery = watchBattery(check, 'cranking voltage');
  if (!battery) return;
  const { volts, nominal } = battery;
  const limit = (check.limits.crankingVolts * nominal) / 12;
  const calm = averaged(volts, 100_000);
  let lowest = Number.POSITIVE_INFINITY;
  let low: ReturnType<typeof heldFor>;
  for (const bout of check.bouts) {
    const fromUs = bout.fromUs + 200_000;
    const toUs = bout.runsUs ?? bout.toUs;
    lowest = Math.min(lowest, minimum(valuesWithin(calm, fromUs, toUs)));
    low ??= heldFor(calm, fromUs, toUs, check.limits.crankingForMs * 1000, (value) => value < limit);
  }
  if (!Number.isFinite(lowest)) return;
  check.add({
    code: 'cranking-voltage',
    ok: low === undefined,
    channel: volts.channel,
    ...(low ? { at: check.at(low.fromUs) } : {}),
    measured: round(lowest, 2),
    limit: round(limit, 2),
    say: `battery ${low ? 'falls to' : 'holds'} ${lowest.toFixed(1)} V while the starter turns`,
    ...(low ? { next: 'Charge the battery, then measure the drop along starter cable and ground strap while cranking.' } : {}),
  });
}

function watchBattery(check: StartCheck, what: string): { volts: Watched; nominal: number } | undefined {
  const { nominalV } = check.vehicle.electrical;
  const volts = watch(check.series, check.vehicle.engine?.roles.battery, 'V');
  if (nominalV === undefined) check.notJudged(what, 'electrical: { nominal: 12 V }');
  else if (!volts) check.notJudged(what, 'engine: { battery: <channel> }');
  return volts && nominalV !== undefined ? { volts, nominal: nominalV } : undefined;
}

export function judgeCharging(check: StartCheck, runsUs: number, endUs: number): void {
  const { charging } = check.vehicle.electrical;
  if (charging === undefined) check.notJudged('charging', 'electrical: { charging: true }');
  const battery = charging === true ? watchBattery(check, 'charging') : undefined;
  if (!battery) return;
  const fromUs = runsUs + check.limits.chargingAfterS * 1e6;
  const toUs = endUs - 1_000_000;
  const volts = toUs - fromUs > 500_000 ? medianWithin(battery.volts, Math.max(fromUs, toUs - 10_000_000), toUs) : undefined;
  if (volts === undefined) return;
  const scale = battery.nominal / 12;
  const [low, high] = [check.limits.chargingFromVolts * scale, check.limits.chargingToVolts * scale];
  const ok = volts >= low && volts <= high;
  const off = ok ? undefined : heldFor(averaged(battery.volts, 500_000), fromUs, toUs, 0, (value) => value < low || value > high);
  check.add({
    code: 'charging',
    ok,
    channel: battery.volts.channel,
    ...(off ? { at: check.at(off.fromUs) } : {}),
    measured: round(volts, 2),
    limit: round(volts > high ? high : low, 2),
    say: ok
      ? `charging at ${volts.toFixed(1)} V`
      : `battery at ${volts.toFixed(1)} V while the engine runs: ${volts < low ? 'not charging' : 'overcharging'}`,
    ...(ok
      ? {}
      : {
          next:
            volts < low
              ? 'Look at the alternator belt, its feed, its field wire and fuse.'
              : 'Look at the voltage regulator before anything boils.',
        }),
  });
}

/** The running mean over the last `widthUs`, causal, so that a judgement on it needs nothing from the future. */
function averaged(watched: Watched, widthUs: number): Watched {
  const { timeUs, value } = watched;
  let sum = 0;
  let from = 0;
  const mean = value.map((now, i) => {
    sum += now;
    while ((timeUs[i] as number) - (timeUs[from] as number) > widthUs) sum -= value[from++] as number;
    return sum / (i - from + 1);
  });
  return { ...watched, value: mean };
}

const minimum = (values: Float64Array) => values.reduce((low, value) => Math.min(low, value), Number.POSITIVE_INFINITY);
