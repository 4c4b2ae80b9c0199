// Whether a start came to a running engine, and why not. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { InjectorSet } from '../definitions/vehicle.ts';
import type { Bout } from './engine-run.ts';
import { amount, type Said, said } from './said.ts';
import { round, type StartCheck } from './start-check.ts';
import { medianWithin, valuesWithin, watch } from './watch.ts';

export function judgeCrank(check: StartCheck, start: Bout): void {
  const crankedS = ((start.runsUs ?? start.toUs) - start.fromUs) / 1e6;
  if (start.runsUs !== undefined) {
    check.add({
      code: 'failed-crank',
      ok: true,
      at: check.at(start.runsUs),
      measured: round(crankedS, 2),
      say: `it runs after ${crankedS.toFixed(1)} s of cranking`,
    });
    return;
  }
  if (crankedS < check.limits.crankedForS) return;
  const { reason, next, ...why } = whyNotRunning(check, start);
  check.add({
    code: 'failed-crank',
    ok: false,
    at: check.at(start.fromUs),
    measured: round(crankedS, 2),
    reason,
    ...said`it cranked for ${crankedS.toFixed(1)} s and did not start: ${why}`,
    next,
  });
}

function whyNotRunning(check: StartCheck, start: Bout): Said & { reason: string; next: string } {
  const sync = watch(check.series, check.vehicle.engine?.roles.sync, '');
  const synced = sync && share(valuesWithin(sync, start.fromUs + 700_000, start.toUs), (state) => state >= 2);
  if (synced !== undefined && synced < check.limits.crankedSyncShare) {
    return { reason: 'sync', say: 'no sync', next: 'Look at the crank and cam sensors: gap, polarity, wiring, tooth pattern.' };
  }
  for (const set of check.vehicle.injectorSets) {
    const delta = watch(check.series, `fuel_delta_${toNamePart(set.name)}`, 'kPa');
    const kpa = delta && medianWithin(delta, start.fromUs + 700_000, start.toUs);
    if (
      kpa !== undefined &&
      set.targetKpa !== undefined &&
      kpa < check.limits.crankedFuelShare * set.targetKpa &&
      isInUse(check, set, start)
    ) {
      return {
        reason: 'fuel pressure',
        ...said`fuel pressure delta of ${set.name} is ${amount(kpa, 'kPa', 0)} instead of ${amount(set.targetKpa, 'kPa')}`,
        next: `Look at the ${set.name} pump, its relay and fuse, fuel in the tank, the filter.`,
      };
    }
  }
  const fired = firedWhileCranking(check, start);
  const some =
    fired.length > 0
      ? `cylinder ${fired.join(' and ')} fired, the others did not`
      : 'sync and fuel pressure are there, and no cylinder fired';
  return { reason: 'no fire', say: some, next: 'Look at spark (plugs, coils, their feed), then injectors, then timing.' };
}

function isInUse(check: StartCheck, set: InjectorSet, start: Bout): boolean {
  const pulse = watch(check.series, set.pulse, 'ms');
  const during = pulse && valuesWithin(pulse, start.fromUs, start.toUs);
  return !during || during.length === 0 || during.some((ms) => ms > 0);
}

function firedWhileCranking(check: StartCheck, start: Bout): number[] {
  const probes = check.vehicle.engine?.exhaustTemps ?? [];
  return probes
    .filter(({ channel }) => {
      const temp = watch(check.series, channel, 'degC', 'bad');
      const before = temp && medianWithin(temp, start.fromUs - 1_500_000, start.fromUs + 500_000);
      const after = temp && medianWithin(temp, start.toUs - 700_000, start.toUs);
      return before !== undefined && after !== undefined && after - before > check.limits.crankedFiredK;
    })
    .map(({ cylinder }) => cylinder);
}

function share(values: Float64Array, holds: (value: number) => boolean): number | undefined {
  return values.length === 0 ? undefined : values.filter(holds).length / values.length;
}
