// What a run of the probe or injector check would correct in vehicle.yaml: the found map in place of the one that the file has. Pure.
import type { GroupPlan, InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/** A value of vehicle.yaml to be set, by its place. */
export interface CorrectionEdit {
  kind: 'set';
  at: string[];
  /** As it should stand in the file. */
  source: string;
}

export interface Correction {
  edits: CorrectionEdit[];
  changes: { what: string; from: string; to: string }[];
  /** What stays unproven, and why. */
  notes: string[];
  /** The file says something else by now than when the run was made. */
  outdated: boolean;
}

/** Undefined for a check that corrects nothing. */
export function findCorrection(vehicle: Vehicle, { check, verdicts }: Pick<CheckResult, 'check' | 'verdicts'>): Correction | undefined {
  if (check === 'probes') return correctProbes(vehicle, verdicts);
  return check === 'injectors' ? correctGroups(vehicle, verdicts) : undefined;
}

/**
 * Each cylinder gets the channel that rose when its probe was warmed. One whose probe did not answer keeps its channel, unless another
 * cylinder was found on it: then it gets what is left over, which no measurement proves.
 */
function correctProbes(vehicle: Vehicle, verdicts: readonly Verdict[]): Correction {
  const channelOf = new Map((vehicle.engine?.exhaustTemps ?? []).map(({ cylinder, channel }) => [cylinder, channel]));
  const correction: Correction = { edits: [], changes: [], notes: [], outdated: false };
  const found = new Map<number, string>();
  for (const { code, cylinder, channel, found: by } of verdicts) {
    if (cylinder === undefined || !['probe-swapped', 'probe-reversed', 'probe-dead'].includes(code)) continue;
    if (channelOf.get(cylinder) !== channel) correction.outdated = true;
    const rose = typeof by === 'number' ? channelOf.get(by) : undefined;
    if (rose !== undefined) found.set(cylinder, rose);
  }
  const doubled = [...found].filter(([, channel]) => [...found.values()].filter((other) => other === channel).length > 1);
  if (doubled.length > 0) {
    const cylinders = doubled.map(([cylinder]) => cylinder).join(', ');
    correction.notes.push(`Warming cylinders ${cylinders} moved the same channel: do these again before anything is written.`);
    return correction;
  }
  const silent = [...channelOf.keys()].filter((cylinder) => !found.has(cylinder));
  const taken = new Set(found.values());
  const left = [...channelOf.values()].filter((channel) => !taken.has(channel));
  const displaced = silent.filter((cylinder) => taken.has(channelOf.get(cylinder) as string));
  const spare = left.filter((channel) => !silent.some((cylinder) => channelOf.get(cylinder) === channel));
  displaced.forEach((cylinder, i) => {
    found.set(cylinder, spare[i] as string);
    correction.notes.push(`Cylinder ${cylinder} gets ${spare[i]}, which is left over: its probe did not answer, so nothing proves it.`);
  });
  for (const cylinder of silent.filter((one) => !displaced.includes(one)))
    correction.notes.push(`Cylinder ${cylinder} did not answer or was not warmed: it keeps ${channelOf.get(cylinder)}.`);
  for (const [cylinder, to] of [...found].sort(([a], [b]) => a - b)) {
    const from = channelOf.get(cylinder) as string;
    if (from === to) continue;
    correction.edits.push({ kind: 'set', at: ['engine', 'exhaust_temps', String(cylinder), 'channel'], source: to });
    correction.changes.push({ what: `exhaust_temps of cylinder ${cylinder}`, from, to });
  }
  return correction;
}

function correctGroups(vehicle: Vehicle, verdicts: readonly Verdict[]): Correction {
  const correction: Correction = { edits: [], changes: [], notes: [], outdated: false };
  for (const set of vehicle.injectorSets) {
    const plan = set.plans.find(({ name }) => name === set.plan) ?? (set.plans.length === 1 ? set.plans[0] : undefined);
    const ofSet = verdicts.filter((verdict) => verdict.set === set.name && verdict.code === 'group-wiring');
    if (plan && ofSet.length > 0) correctPlan(set, plan, ofSet, correction);
    const swapped = verdicts.filter(({ set: name, code, ok }) => name === set.name && code === 'injector-swapped' && !ok);
    for (const { say } of swapped) correction.notes.push(`${say}: swap plugs or outputs, vehicle.yaml has no line for it.`);
  }
  return correction;
}

function correctPlan(set: InjectorSet, plan: GroupPlan, verdicts: readonly Verdict[], correction: Correction): void {
  const found = new Map(verdicts.map((verdict) => [verdict.group as string, verdict.found as number[]]));
  for (const { group, limit } of verdicts) {
    const expected = plan.groups.find(({ name }) => name === group)?.cylinders.join(', ');
    if (expected !== limit) correction.outdated = true;
  }
  const notTried = plan.groups.filter(({ name }) => !found.has(name)).map(({ name }) => name);
  const all = [...found.values()].flat();
  if (notTried.length > 0)
    correction.notes.push(`Group ${notTried.join(', ')} of ${set.name} was not tried: plan ${plan.name} stays as it is.`);
  else if (new Set(all).size < all.length)
    correction.notes.push(`A cylinder of ${set.name} clicked in two groups: look at the wiring first.`);
  else if ([...found.values()].some((cylinders) => cylinders.length === 0))
    correction.notes.push(`A group of ${set.name} did not click anywhere: look at its driver’s wire first.`);
  else writePlan(set, plan, found, correction);
}

function writePlan(set: InjectorSet, plan: GroupPlan, found: ReadonlyMap<string, number[]>, { edits, changes }: Correction): void {
  const wanted = (group: string) => [...(found.get(group) ?? [])].sort((a, b) => a - b);
  const isThis = ({ groups }: GroupPlan) =>
    groups.every(({ name, cylinders }) => [...cylinders].sort((a, b) => a - b).join() === wanted(name).join());
  if (isThis(plan)) return;
  const other = set.plans.find(
    (one) => one !== plan && one.groups.length === found.size && one.groups.every(({ name }) => found.has(name)) && isThis(one),
  );
  if (other) {
    edits.push({ kind: 'set', at: ['injector_sets', set.name, 'plan'], source: other.name });
    changes.push({ what: `plan of ${set.name}`, from: plan.name, to: other.name });
    return;
  }
  for (const { name, cylinders } of plan.groups) {
    if ([...cylinders].sort((a, b) => a - b).join() === wanted(name).join()) continue;
    edits.push({ kind: 'set', at: ['injector_sets', set.name, 'plans', plan.name, name], source: `[${wanted(name).join(', ')}]` });
    changes.push({ what: `group ${name} of ${set.name}, plan ${plan.name}`, from: cylinders.join(', '), to: wanted(name).join(', ') });
  }
}
