// The supply and ground test: loads are switched one at a time, and no reading may move; one that does names what its wires share. Pure.
import type { SeriesSet } from '../channels/series.ts';
import { findUnit } from '../channels/unit.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import { limitsOf, withUsersLimits } from './check-limits.ts';
import type { Step } from './procedure.ts';
import { signalsOf } from './resting-readings.ts';
import { amount, said } from './said.ts';
import { type Guide, stretchOf } from './step-state.ts';
import { bestGroup } from './supply-shift.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult, Verdict } from './verdict.ts';
import { medianOf, medianWithin, valuesWithin, type Watched, watch } from './watch.ts';

/** The usual loads; a vehicle file may name others (`checks: { supplies: { steps: [...] } }`). Common practice, no source. */
const usualLoads = [
  ['pump', 'the pump', 'Its relay, with its fuse pulled where fuel is not to flow yet.'],
  ['fan', 'the fan', 'Hands clear of it.'],
  ['ignition', 'the ignition', 'The coils and all that hangs on their feed; the engine stays off.'],
  ['lights', 'lights and everything else', 'Lights, heater, radio: one after the other where there are several.'],
] as const;

/** The step in which nothing is switched. */
const restStep = 'rest';

export function supplySteps(vehicle: Vehicle): Step[] {
  const limits = limitsOf('supplies', vehicle);
  const watched = (name: string, title: string, say: string, forS: number): Step => {
    return { name, title, say, kind: 'watch', watch: { forS }, codes: [], blocking: false };
  };
  return [
    watched(restStep, 'Everything off, key on', 'Engine off. What readings are at rest is learned now. Touch nothing.', limits.restForS),
    ...usualLoads.map(([name, what, care]) =>
      watched(name, `Switch ${what}`, `On for three seconds, then off again, this alone. ${care} No reading may move.`, limits.switchForS),
    ),
  ];
}

/** A step shorter than this shows nothing. */
const shortestUs = 2_000_000;
const baseUs = 2_000_000;
const binUs = 400_000;
/** Sensors on a 5 V supply give 0.5 V at the lower and 4.5 V at the upper end of their span. Common practice, no source. */
const sensorVolts = { supply: 5, low: 0.5, span: 4 } as const;
/** Type K, about, at room temperature. */
const kelvinPerMillivolt = 24;

interface Moved {
  signal: Signal;
  /** At rest, and by how much it moved, in its unit. */
  rest: number;
  by: number;
  /** Of its span. */
  share: number;
}

/** @param guide Tells when each load was switched: without it nothing can be judged. */
export function checkSupplyTest(series: SeriesSet, vehicle: Vehicle, guide: Guide | undefined): CheckResult {
  const seconds = Math.max(0, series.endUs - series.startUs) / 1e6;
  const result: CheckResult = { check: 'supplies', frames: series.frames, seconds, verdicts: [], notJudged: [] };
  const limits = withUsersLimits('supplies', vehicle, result);
  for (const { name, title, kind } of guide?.procedure.steps ?? []) {
    if (name === restStep || kind !== 'watch') continue;
    const stretch = stretchOf(guide, name, series);
    if (stretch === undefined || stretch === 'whole') continue;
    if (stretch.toUs - stretch.fromUs >= shortestUs) judgeLoad(result, series, vehicle, limits, name, stretch);
    else if (stretch.closed) result.notJudged?.push({ what: `${title}: too short`, line: 'stay in the step while it is on' });
  }
  if (vehicle.supplies.size + vehicle.grounds.size === 0) {
    result.notJudged?.push({ what: 'which supply or ground moved', line: 'supplies: { sensor-5v: [<channels>] }' });
  }
  return result;
}

function judgeLoad(
  result: CheckResult,
  series: SeriesSet,
  vehicle: Vehicle,
  limits: LimitsOf<'supplies'>,
  load: string,
  { fromUs, toUs }: { fromUs: number; toUs: number },
): void {
  const moved = watchedSignals(vehicle, load).flatMap((signal) => {
    const by = movedBy(watch(series, signal.name, undefined), { fromUs, toUs }, spanOf(signal), limits);
    return by ? [{ signal, ...by }] : [];
  });
  const sag = batterySag(series, vehicle, fromUs, toUs);
  const about = { at: Math.round(fromUs - series.startUs) / 1e6, load, ...(sag === undefined ? {} : { evidence: { batterySagV: sag } }) };
  if (moved.length === 0) {
    const sags = sag === undefined ? '' : `, while the battery sagged by ${sag.toFixed(2)} V`;
    result.verdicts.push({ code: 'supply-shift', ok: true, ...about, measured: 0, limit: 0, say: `no reading moved with ${load}${sags}` });
    return;
  }
  for (const [group, members] of byGroup(moved, vehicle)) result.verdicts.push({ ...toVerdict(load, group, members, vehicle), ...about });
}

/** What stays as it is at rest: speed and pulses say nothing, and what the load itself does is its work. */
function watchedSignals(vehicle: Vehicle, load: string): Signal[] {
  const roles = vehicle.engine?.roles;
  const own = new Set([
    roles?.battery,
    roles?.speed,
    ...vehicle.injectorSets.flatMap(({ pulse, rail }) => [pulse, load === 'pump' ? rail : undefined]),
  ]);
  const grouped = new Set([...vehicle.supplies.values(), ...vehicle.grounds.values()].flat());
  return signalsOf(vehicle).filter((signal) => {
    const dimension = findUnit(signal.unit)?.dimension ?? '';
    if (own.has(signal.name) || signal.states.size > 0) return false;
    return grouped.has(signal.name) || ['pressure', 'temperature', 'ratio', 'lambda'].includes(dimension);
  });
}

function spanOf({ min, max, unit }: Signal): number {
  if (min !== undefined && max !== undefined) return max - min;
  return findUnit(unit)?.dimension === 'pressure' ? 500 / (findUnit(unit)?.scale ?? 1) : 200;
}

/** A reading moved when stretches of 0.4 s in a row, as long as the limit says, stand off its rest. */
function movedBy(
  watched: Watched | undefined,
  { fromUs, toUs }: { fromUs: number; toUs: number },
  span: number,
  limits: LimitsOf<'supplies'>,
): Omit<Moved, 'signal'> | undefined {
  if (!watched) return undefined;
  const base = valuesWithin(watched, fromUs - baseUs, fromUs);
  const rest = medianOf(base);
  if (rest === undefined) return undefined;
  const noise = medianOf(base.map((value) => Math.abs(value - rest))) ?? 0;
  const least = Math.max(limits.movedNoiseTimes * 1.48 * noise, limits.movedShare * span);
  let row: number[] = [];
  let longest: number[] = [];
  for (let at = fromUs; at + binUs <= toUs; at += binUs) {
    const value = medianWithin(watched, at, at + binUs);
    if (value === undefined) continue;
    const off = value - rest;
    const goesOn = Math.abs(off) > least && (row.length === 0 || Math.sign(off) === Math.sign(row[0] as number));
    row = goesOn ? [...row, off] : [];
    if (row.length > longest.length) longest = row;
  }
  if (longest.length * binUs < limits.movedForMs * 1000) return undefined;
  const by = medianOf(longest) as number;
  return { rest, by, share: by / span };
}

function batterySag(series: SeriesSet, vehicle: Vehicle, fromUs: number, toUs: number): number | undefined {
  const battery = watch(series, vehicle.engine?.roles.battery, 'V');
  const rest = battery && medianWithin(battery, fromUs - baseUs, fromUs);
  if (!battery || rest === undefined) return undefined;
  let lowest = rest;
  for (let at = fromUs; at + binUs <= toUs; at += binUs) lowest = Math.min(lowest, medianWithin(battery, at, at + binUs) ?? rest);
  return Math.round(1000 * (rest - lowest)) / 1000;
}

/** Those of one group together; what belongs to none stands alone under its own name. */
function byGroup(moved: readonly Moved[], vehicle: Vehicle): Map<string | undefined, Moved[]> {
  const probes = new Set((vehicle.engine?.exhaustTemps ?? []).map(({ channel }) => channel));
  const hot = moved.filter(({ signal }) => probes.has(signal.name));
  const found = new Map<string | undefined, Moved[]>();
  if (hot.length > 1) found.set('thermocouples', hot);
  const rest = hot.length > 1 ? moved.filter((one) => !hot.includes(one)) : moved;
  const groups = [...vehicle.supplies, ...vehicle.grounds];
  let left = [...rest];
  while (left.length > 0) {
    const names = left.map(({ signal }) => signal.name);
    const group = bestGroup(groups, names);
    const of = groups.find(([name]) => name === group)?.[1] ?? [];
    const sharing = left.filter(({ signal }) => of.includes(signal.name));
    // One alone of several that share a wire: its own wire, not the shared one.
    const shared = sharing.length > 1 || of.length === 1;
    const members = sharing.length === 0 ? left : sharing;
    found.set(shared ? group : undefined, [...(found.get(shared ? group : undefined) ?? []), ...members]);
    left = left.filter((one) => !members.includes(one));
  }
  return found;
}

function toVerdict(load: string, group: string | undefined, moved: readonly Moved[], vehicle: Vehicle): Verdict {
  const largest = moved.reduce((most, one) => (Math.abs(one.share) > Math.abs(most.share) ? one : most));
  const { signal, by } = largest;
  const channels = moved.map((one) => one.signal.name);
  const implied = impliedDrop(moved, group, vehicle);
  const rounded = Number(by.toPrecision(3));
  const unit = toDifference(signal.unit);
  // A difference in degF has no unit of its own.
  const shift = unit === 'degF' ? `${rounded} °F` : amount(rounded, unit);
  const many = channels.length === 1 ? 'moves' : 'move together';
  return {
    code: 'supply-shift',
    ok: false,
    load,
    ...(group ? { group } : {}),
    channel: signal.name,
    channels,
    measured: rounded,
    ...(unit === '' || unit === 'degF' ? {} : { unit }),
    limit: 0,
    ...(implied ? { impliedVolts: implied.volts } : {}),
    ...said`${channels.join(', ')} ${many} with ${load}, ${signal.name} by ${shift}${implied ? `: ${implied.say}` : ''}`,
    next: group
      ? `Measure ${group} at the sensor plugs while ${load} is switched: a thin or shared wire, or a poor ground. Give ${load} a feed and ground of its own.`
      : `Measure supply and ground of ${signal.name} while ${load} is switched, and look at where its wire runs beside that load's.`,
  };
}

const toDifference = (unit: string): string => (unit === 'degC' ? 'K' : unit);

/** What a shift of the readings says of the volts behind it. */
function impliedDrop(moved: readonly Moved[], group: string | undefined, vehicle: Vehicle): { volts: number; say: string } | undefined {
  if (group === undefined) return undefined;
  if (group === 'thermocouples') {
    const kelvin = medianOf(moved.map(({ by }) => by)) as number;
    const volts = kelvin / kelvinPerMillivolt / 1000;
    return {
      volts: Number(volts.toPrecision(2)),
      say: `about ${(volts * 1000).toFixed(1)} mV on the probes' wires, a grounded junction or shield loop`,
    };
  }
  const atPins = moved.map((one) => one.share * sensorVolts.span);
  const isGround = vehicle.grounds.has(group);
  const each = moved.map((one, i) => {
    const shift = atPins[i] as number;
    const { min, max } = one.signal;
    if (isGround || min === undefined || max === undefined) return shift;
    const pin = sensorVolts.low + (sensorVolts.span * (one.rest - min)) / (max - min);
    return (shift * sensorVolts.supply) / Math.max(sensorVolts.low, pin);
  });
  const volts = medianOf(each) as number;
  const what = isGround ? `${group} is lifted` : volts < 0 ? `${group} drops` : `${group} rises`;
  return {
    volts: Number(volts.toPrecision(2)),
    say: `${what} by about ${Math.abs(volts).toFixed(2)} V (sensors of 0.5 to 4.5 V over their span)`,
  };
}
