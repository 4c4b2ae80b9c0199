// When the engine turned: cranking bouts and runs, found from engine speed. Pure.
import type { SeriesSet } from '../channels/series.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { firstAtOrAfter, heldFor, valueAt, valuesWithin, type Watched, watch } from './watch.ts';

/** A stretch in which the engine turned, by starter or by itself. */
export interface Bout {
  fromUs: number;
  toUs: number;
  /** When it ran by itself; undefined when it only cranked. */
  runsUs: number | undefined;
  /** Cranked without fuel and spark: the oil step, not a failed start. */
  dry: boolean;
}

/** Speed has to stay above the running mark this long: a single compression that kicks is no start. */
const runningForUs = 500_000;
/** A dip of speed between two compressions doesn't end a bout. */
const dipMaxUs = 700_000;
const boutMinUs = 300_000;

/**
 * Bouts in order. A speed that goes stale while the engine runs keeps it running until it is proven to stand: a bad gate counts as
 * running.
 */
export function findBouts(series: SeriesSet, vehicle: Vehicle): Bout[] {
  const engine = vehicle.engine;
  const speed = watch(series, engine?.roles.speed, 'rpm');
  if (!engine || !speed) return [];
  const turning: { fromUs: number; toUs: number }[] = [];
  for (let i = 0; i < speed.timeUs.length; i++) {
    if ((speed.value[i] as number) < engine.crankingAboveRpm) continue;
    const at = speed.timeUs[i] as number;
    const last = turning[turning.length - 1];
    if (last && stoodStill(speed, last.toUs, at, engine.crankingAboveRpm) < dipMaxUs) last.toUs = at;
    else turning.push({ fromUs: at, toUs: at });
  }
  const last = turning[turning.length - 1];
  // Nothing proves that it stood still after its last good reading.
  if (last && speed.timeUs[speed.timeUs.length - 1] === last.toUs) last.toUs = series.endUs;
  return turning
    .filter(({ fromUs, toUs }) => toUs - fromUs >= boutMinUs)
    .map(({ fromUs, toUs }) => {
      const runs = heldFor(speed, fromUs, toUs, runningForUs, (value) => value > engine.runningAboveRpm);
      return { fromUs, toUs, runsUs: runs?.fromUs, dry: isDry(series, vehicle, fromUs, runs?.fromUs ?? toUs) };
    });
}

/** How long good readings below the mark lie between two times. */
function stoodStill(speed: Watched, fromUs: number, toUs: number, mark: number): number {
  const first = firstAtOrAfter(speed.timeUs, fromUs + 1);
  const end = firstAtOrAfter(speed.timeUs, toUs);
  let from: number | undefined;
  let to = 0;
  for (let i = first; i < end; i++) {
    if ((speed.value[i] as number) >= mark) continue;
    from ??= speed.timeUs[i] as number;
    to = speed.timeUs[i] as number;
  }
  return from === undefined ? 0 : to - from;
}

/**
 * While cranking: the cut is on, or no set's pulse ever opened an injector although the controller had sync (without sync no pulse comes
 * either, which is a failed start).
 */
function isDry(series: SeriesSet, vehicle: Vehicle, fromUs: number, toUs: number): boolean {
  const cut = watch(series, vehicle.engine?.roles.cut, '');
  if (cut) {
    const during = valuesWithin(cut, fromUs, toUs);
    const on = during.filter((value) => value !== 0).length;
    if (during.length > 0 ? on > during.length / 2 : (valueAt(cut, toUs) ?? 0) !== 0) return true;
  }
  const sync = watch(series, vehicle.engine?.roles.sync, '');
  const states = sync && valuesWithin(sync, fromUs, toUs);
  if (states && states.length > 0 && !states.some((state) => state >= 2)) return false;
  const pulses = vehicle.injectorSets.flatMap((set) => watch(series, set.pulse, 'ms') ?? []);
  const seen = pulses.map((pulse) => valuesWithin(pulse, fromUs, toUs)).filter((values) => values.length > 0);
  return seen.length > 0 && seen.every((values) => values.every((value) => value <= 0));
}
