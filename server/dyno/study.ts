// The distribution study: effects with their uncertainty, the cylinders that differ and the test that decides, and what to try next. Pure.
import { medianOf } from '../checks/watch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import {
  type Arrangement,
  drawModel,
  type EffectColumn,
  type EffectEstimate,
  type FittedModel,
  leaningOf,
  listColumns,
  mixModels,
  separableBy,
  toArrangement,
  toEstimates,
  weighEffects,
} from './effects.ts';
import { deviations, findLoadPoints, type Hold } from './holds.ts';
import { injectionPhases } from './phases.ts';
import { countPlugLayouts, countRegroupings, listTrials, type Trial } from './trials.ts';

/** One cylinder of the study. A contract (`study --json`). */
export interface CylinderFinding {
  cylinder: number;
  differs: boolean;
  /** Deviation from the median of the others, K, over the holds with every set on, as parts and plugs sit now. */
  kelvin: number | null;
  /** What could be the cause, likeliest first. */
  candidates: string[];
  /** The test that decides between them. */
  test: string;
}

export interface Study {
  effects: EffectEstimate[];
  cylinders: CylinderFinding[];
  trials: Trial[];
  /** `openK`: how far the reading may still be from where it settles, of the probe that lags most, K; null when that isn't known. */
  holds: { kind: 'hold' | 'sweep'; session: number; from: number; to: number; speed: number; spread: number; openK: number | null }[];
  /** Injection set → group of the plan in force → cylinder → degrees from the opening of its intake stroke to its injection. */
  phases: Record<string, Record<number, number>>;
  /** Batch set → how many ways its plugs can go: with the groups' labels, and as layouts of plugs alone. Beyond a thousand not all are listed. */
  regroupings: Record<string, { labelled: number; layouts: number }>;
  notJudged: { what: string; line: string }[];
}

/** Below 15 to 20 K between cylinders nothing is said yet: class 2 type K alone allows ± 6.8 K at 900 °C (IEC 60584-2). */
const differsMinK = 15;

/** A study with what it was computed from. */
export interface StudyBehind {
  study: Study;
  /** Those that were used. */
  holds: readonly Hold[];
  /** Undefined without a hold. */
  fit?: {
    model: FittedModel;
    planning: Fits['planning'];
    now: Arrangement;
    cylinders: readonly number[];
    /** The holds of which a cylinder's deviation is the median, and from how much on it differs, K. */
    deviationsOf: readonly Hold[];
    leastK: number;
  };
}

/** Studies the holds of one engine; of several vehicles the last session's says how things stand now. */
export function studyDistribution(all: readonly Hold[]): Study {
  return studyHolds(all).study;
}

/** The same with the model behind it. */
export function studyHolds(all: readonly Hold[]): StudyBehind {
  const holds = tellingOf(all);
  const study: Study = { effects: [], cylinders: [], trials: [], holds: holds.map(toHoldView), phases: {}, regroupings: {}, notJudged: [] };
  const last = holds[holds.length - 1];
  if (!last) {
    study.notJudged.push({ what: 'the distribution', line: whyNoHold(all) });
    return { study, holds };
  }
  const { model, planning, loadPoints, cylinders } = fitHolds(holds);
  study.effects = toEstimates(model);
  const now = toArrangement(last.vehicle, { off: new Set(), share: new Map() }, new Map(), loadPoints[loadPoints.length - 1] as number);
  const deviationsOf = holdsAsNow(holds, now);
  // A lag that is known to a band alone can make a difference of its own in every sweep, however many there are.
  const sweepOpenK = Math.max(0, ...deviationsOf.map((hold) => (hold.isSweep ? (openOf(hold) ?? 0) : 0)));
  const leastK = Math.max(differsMinK, (2 * model.noiseK) / Math.sqrt(deviationsOf.length)) + sweepOpenK;
  study.cylinders = findCylinders(deviationsOf, leastK, cylinders, now, model);
  const byDeviation = [...study.cylinders].sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0));
  const differing = byDeviation.flatMap(({ cylinder, differs }) => (differs ? [cylinder] : []));
  // Where none differs parts can still be exchanged: those of the cylinder that comes nearest to it.
  const exchanged = differing.length > 0 ? differing : byDeviation.slice(0, 1).map(({ cylinder }) => cylinder);
  study.trials = listTrials(planning.model, last.vehicle, now, { all: cylinders, differing, exchanged }, planning.share);
  for (const set of last.vehicle.injectorSets) {
    const plan = set.plans.find(({ name }) => name === set.plan);
    if (!plan) continue;
    const phases = injectionPhases(last.vehicle, set, plan.groups);
    if (phases) study.phases[set.name] = phases;
    const sizes = plan.groups.map((group) => group.cylinders.length);
    if (sizes.length > 1) study.regroupings[set.name] = { labelled: countRegroupings(sizes), layouts: countPlugLayouts(sizes) };
  }
  sayWhatIsMissing(study, last.vehicle);
  return { study, holds, fit: { model, planning, now, cylinders, deviationsOf, leastK } };
}

/** The model alone, without what follows from it: undefined when no hold tells anything. */
export function fitDistribution(all: readonly Hold[]): FittedModel | undefined {
  const holds = tellingOf(all);
  return holds.length === 0 ? undefined : fitHolds(holds).model;
}

/** One probe alone says nothing of a difference. */
const cylindersMin = 2;

/** Holds are the honest basis; sweeps stand in where there is none. */
function tellingOf(all: readonly Hold[]): readonly Hold[] {
  const telling = all.filter(({ temps }) => temps.size >= cylindersMin);
  const holds = telling.filter(({ isSweep }) => !isSweep);
  return holds.length > 0 ? holds : telling;
}

function whyNoHold(holds: readonly Hold[]): string {
  const last = holds[holds.length - 1];
  if (!last) return 'nothing: no steady hold of five seconds and more, and no whole sweep, was found in these sessions';
  const probes = last.vehicle.engine?.exhaustTemps.length ?? 0;
  if (probes < cylindersMin) return 'engine: { exhaust_temps: { 1: { channel: <channel> }, 2: { channel: <channel> } } }';
  return 'nothing: in no hold did two probes give good numbers that had settled (less than 5 K/s), and no sweep stands in';
}

interface Fits {
  /** What the effects are read from. */
  model: FittedModel;
  /** What the next trials are planned by: of two that tell the holds as well, the one that leaves more open. */
  planning: { model: FittedModel; share: ReadonlyMap<string, number> };
  /** Number of the load point of each hold. */
  loadPoints: number[];
  cylinders: number[];
}

/** Models that are believed less are left out. */
const beliefMin = 0.02;
/** The model in which nothing grows with its share is given up for planning once it is believed less than one in twenty. */
const beliefOfAlikeMin = 0.05;

/**
 * While one set is off the others give more. Errors of flow then weigh more, errors of spray or place may not, and where flows aren't known nobody
 * can say how much: each such model is believed as far as the holds bear it out. What only the assumed weights tell apart is not told apart.
 */
function fitHolds(holds: readonly Hold[]): Fits {
  const usualShares = guessShares(holds);
  const usualShare = usualShares[0] as ReadonlyMap<string, number>;
  const loadPoints = findLoadPoints(holds);
  const cylinders = [...new Set(holds.flatMap((hold) => [...hold.temps.keys()]))].sort((a, b) => a - b);
  const observe = (usual: ReadonlyMap<string, number>) =>
    holds.map((hold, i) => {
      const share = hold.share.size > 0 ? hold.share : sharesWithout(hold.off, usual);
      return { arrangement: toArrangement(hold.vehicle, { ...hold, share }, usual, loadPoints[i] as number), temps: hold.temps };
    });
  const alike = observe(new Map());
  const columns = listColumns(
    alike.map(({ arrangement }) => arrangement),
    cylinders,
  );
  const weighed = usualShares.map((usual) => weighEffects(observe(usual), columns));
  const isOffNowhere = holds.every(({ off }) => off.size === 0);
  // As long as no set was off all say the same, but for what weights that differ from hold to hold tell apart.
  const fits = isOffNowhere ? weighed.slice(0, 1) : [weighEffects(alike, columns), ...weighed];
  const told = isOffNowhere ? separableBy(alike, columns) : columns.map(() => true);
  const separable = told.map((isTold, j) => isTold && fits.every((fit) => fit.separable[j]));
  const beliefs = believe(fits.map(({ evidence }, i) => evidence + Math.log(isOffNowhere || i > 0 ? 1 : weighed.length)));
  const drawn = fits.flatMap((fit, i) => {
    const belief = beliefs[i] as number;
    return belief < beliefMin ? [] : [{ belief, isAlike: !isOffNowhere && i === 0, model: drawModel({ ...fit, separable }, belief) }];
  });
  const mixed = (of: typeof drawn) =>
    mixModels(
      of.map(({ model }) => model),
      of.map(({ belief }) => belief),
    );
  const model = mixed(drawn);
  const alikeOnes = drawn.filter(({ isAlike }) => isAlike);
  // Weights by share leave less open: trials are planned by them only once they lead.
  const planned = (alikeOnes[0]?.belief ?? 0) > beliefOfAlikeMin ? alikeOnes : drawn.filter(({ isAlike }) => !isAlike);
  const planning = {
    model: planned.length === drawn.length ? model : mixed(planned),
    share: planned === alikeOnes ? new Map() : usualShare,
  };
  return { model, planning, loadPoints, cylinders };
}

/** How much each of some models is believed, from the logarithms of their evidence: 0 to 1, together 1. */
function believe(evidences: readonly number[]): number[] {
  const best = Math.max(...evidences);
  const odds = evidences.map((evidence) => Math.exp(evidence - best));
  const total = odds.reduce((sum, value) => sum + value, 0);
  return odds.map((value) => value / total);
}

function toHoldView(hold: Hold): Study['holds'][number] {
  const temps = [...hold.temps.values()];
  return {
    kind: hold.isSweep ? 'sweep' : 'hold',
    session: hold.session,
    from: hold.from,
    to: hold.to,
    speed: Math.round(hold.speedRpm),
    spread: Math.round((Math.max(...temps) - Math.min(...temps)) * 10) / 10,
    openK: openOf(hold) ?? null,
  };
}

/**
 * Share of the fuel that each set usually gives: over the holds with every set on, where there are any. Where flows aren't known it is guessed:
 * each as much as any other, and then each in turn twice as much.
 */
function guessShares(holds: readonly Hold[]): ReadonlyMap<string, number>[] {
  const shares = new Map<string, number[]>();
  const known = holds.filter(({ share }) => share.size > 0);
  const whole = known.filter(({ off }) => off.size === 0);
  for (const hold of whole.length > 0 ? whole : known)
    for (const [set, share] of hold.share) if (!hold.off.has(set)) shares.set(set, [...(shares.get(set) ?? []), share]);
  if (shares.size > 0)
    return [new Map([...shares].map(([set, values]) => [set, values.reduce((sum, value) => sum + value, 0) / values.length]))];
  const sets = [...new Set(holds.flatMap(({ vehicle }) => vehicle.injectorSets.map(({ name }) => name)))];
  const twice = sets.map((main) => new Map(sets.map((set) => [set, (set === main ? 2 : 1) / (sets.length + 1)])));
  return [new Map(sets.map((set) => [set, 1 / sets.length])), ...(sets.length > 1 ? twice : [])];
}

/** What each set gives while some are off: the others make up for them, each by the same part. */
function sharesWithout(off: ReadonlySet<string>, usual: ReadonlyMap<string, number>): Map<string, number> {
  const left = [...usual].reduce((sum, [set, share]) => sum + (off.has(set) ? 0 : share), 0);
  return new Map([...usual].map(([set, share]) => [set, off.has(set) || left === 0 ? 0 : share / left]));
}

/** The holds with every set on and everything arranged as it is now; else those with every set on; else all. */
function holdsAsNow(holds: readonly Hold[], now: Arrangement): readonly Hold[] {
  const full = holds.filter((hold) => hold.off.size === 0);
  const asNow = full.filter((hold) => isArrangedAs(now, hold.vehicle));
  return asNow.length > 0 ? asNow : full.length > 0 ? full : holds;
}

function findCylinders(
  used: readonly Hold[],
  least: number,
  cylinders: readonly number[],
  now: Arrangement,
  model: FittedModel,
): CylinderFinding[] {
  const byCylinder = new Map<number, number[]>(cylinders.map((cylinder) => [cylinder, []]));
  for (const hold of used) for (const [cylinder, kelvin] of deviations(hold.temps)) byCylinder.get(cylinder)?.push(kelvin);
  return cylinders.map((cylinder) => {
    const kelvin = medianOf(byCylinder.get(cylinder) ?? []);
    const differs = kelvin !== undefined && Math.abs(kelvin) >= least && cylinders.length > 2;
    const rounded = kelvin === undefined ? null : Math.round(kelvin * 10) / 10;
    if (!differs || kelvin === undefined)
      return { cylinder, differs: false, kelvin: rounded, candidates: [], test: pairWord(cylinders, kelvin, least) };
    return {
      cylinder,
      differs,
      kelvin: rounded,
      candidates: candidatesOf(cylinder, kelvin, now, model),
      test: decidingTest(cylinder, kelvin, now, model),
    };
  });
}

/** Holds from before an exchange say how things stood then: a probe that moved took its error along to another cylinder. */
function isArrangedAs(now: Arrangement, vehicle: Vehicle): boolean {
  const then = toArrangement(vehicle, { off: new Set(), share: new Map() }, new Map(), 0);
  const isAlike = (a: ReadonlyMap<number, string>, b: ReadonlyMap<number, string> = new Map()) =>
    a.size === b.size && [...a].every(([cylinder, part]) => b.get(cylinder) === part);
  const areAlike = (a: Arrangement['group'], b: Arrangement['group']) =>
    a.size === b.size && [...a].every(([set, parts]) => isAlike(parts, b.get(set)));
  return isAlike(then.probe, now.probe) && areAlike(then.group, now.group) && areAlike(then.injector, now.injector);
}

/** Of two probes one can say that they differ, never which. */
function pairWord(cylinders: readonly number[], kelvin: number | undefined, least: number): string {
  if (cylinders.length === 2 && kelvin !== undefined && Math.abs(kelvin) >= least)
    return 'the two differ; which one is off, two probes can not say: exchange the probes';
  return '';
}

/** Of a cylinder's deviation at least so much must an effect make, to be a candidate. */
const candidateShare = 0.25;

/** What the trade knows of a hot or a cold port: said behind what the model found, never instead. */
const tradeOfHot = [
  'leaner than the others while all are richer than peak',
  'richer while all are leaner than peak',
  'late timing',
  'an exhaust leak or burning in the header',
  'a deeper probe',
];
const tradeOfCold = [
  'misfire',
  'richer than the others while all are richer than peak',
  'leaner while all are leaner than peak',
  'advanced timing or detonation',
  'low compression',
  'less air',
  'a shallow probe',
];

interface Suspect extends EffectColumn {
  separable: boolean;
  /** What the model makes of it in this cylinder, K. */
  kelvin: number;
}

/** The effects that act on a cylinder now, the largest share of its deviation first. */
function suspectsOf(cylinder: number, kelvin: number, now: Arrangement, model: FittedModel): Suspect[] {
  return model.columns
    .flatMap((column, j) => {
      const weight = actsOn(column, cylinder, now);
      return weight === 0 ? [] : [{ ...column, separable: model.separable[j] === true, kelvin: weight * leaningOf(model, j) }];
    })
    .filter((suspect) => suspect.kelvin * Math.sign(kelvin) >= candidateShare * Math.abs(kelvin) || isTied(suspect, kelvin))
    .sort((a, b) => Math.sign(kelvin) * (b.kelvin - a.kelvin));
}

/** Parts that nothing has told apart share a deviation between them, so each leans by less than it may be. */
function isTied({ separable, kelvin: leans }: Suspect, kelvin: number): boolean {
  return !separable && leans * Math.sign(kelvin) >= 0.08 * Math.abs(kelvin);
}

/** Candidates, likeliest first: what these sessions measured, what they leave open, then what the trade knows of hot and cold ports. */
function candidatesOf(cylinder: number, kelvin: number, now: Arrangement, model: FittedModel): string[] {
  const suspects = suspectsOf(cylinder, kelvin, now, model);
  const found = suspects.map((suspect) => {
    const { kind, subject, separable, kelvin: leans } = suspect;
    if (!separable) return `${kind} ${subject} (not separated yet)`;
    const mates = model.columns.filter((column) => column.kind === kind && column.set === suspect.set && column.subject !== subject);
    // Of two the effect is half of their difference: what is seen is the whole.
    const only = mates.length === 1 ? mates[0] : undefined;
    return only ? `${kind} ${subject} (${Math.round(2 * leans)} K beside ${only.subject})` : `${kind} ${subject} (${Math.round(leans)} K)`;
  });
  return [...found, ...(kelvin > 0 ? tradeOfHot : tradeOfCold)];
}

/** Weight of an effect in a cylinder: 0 when it is another cylinder's. */
function actsOn({ kind, subject, set }: EffectColumn, cylinder: number, now: Arrangement): number {
  const is = (here: boolean) => (here ? 1 : 0);
  switch (kind) {
    case 'cylinder':
      return is(subject === String(cylinder));
    case 'probe':
      return is(subject === now.probe.get(cylinder));
    case 'bank':
      return is(subject === now.bank.get(cylinder));
    case 'position':
      return now.position.get(cylinder) ?? 0;
    case 'group':
      return is(subject === `${now.group.get(set as string)?.get(cylinder)} of ${set}`);
    case 'injector':
      return is(subject === `${now.injector.get(set as string)?.get(cylinder)} of ${set}`);
    case 'load':
    case 'without':
    case 'lag':
      return 0;
  }
}

/** What is looked at or changed, and nothing else with it, once the sessions say where it sits. */
const lookFor: Partial<Record<EffectColumn['kind'], string>> = {
  bank: 'look at what the bank has of its own (collector, manifold, supply, sensor) and change one of them alone',
  position: 'look at what runs along the engine (air, rail, coolant) and change one of them alone',
  group: "look at the group's plug, driver, injectors and angle, and change one of them alone",
};

/**
 * The cheapest test that decides between what is left: nothing moved before something moved. A cold cylinder is looked at before anything is
 * changed, and never leaned.
 */
function decidingTest(cylinder: number, kelvin: number, now: Arrangement, model: FittedModel): string {
  const suspects = suspectsOf(cylinder, kelvin, now, model);
  const open = suspects.filter(({ separable }) => !separable);
  const isCold = kelvin < 0;
  const first = isCold
    ? `plug, compression and a look for misfire and detonation on cylinder ${cylinder} first; do not lean it. `
    : `look for an exhaust leak at port ${cylinder} and check its timing first. `;
  const group = open.find(({ kind }) => kind === 'group');
  const sets = new Set(open.flatMap(({ kind, set }) => (kind === 'injector' && set !== undefined ? [set] : [])));
  if (group)
    return `${first}Then the same hold with ${group.set} off and on again: what goes with it belongs to its group or its injector, what stays does not.`;
  if (open.some(({ kind }) => kind === 'probe'))
    return `${first}Then exchange its probe with one of a cylinder that doesn't differ: if the reading follows the probe, it is the probe.`;
  if (sets.size > 0)
    return `${first}Then exchange its ${[...sets][0]} injector with one of a cylinder that doesn't differ: does it follow the injector or the hole?`;
  const best = suspects[0];
  if (best && best.kind !== 'cylinder' && best.separable)
    return `these sessions say ${best.kind} ${best.subject}: ${lookFor[best.kind] ?? 'exchange it alone'}, then the same holds again, and back (A-B-A).${isCold ? ` Cylinder ${cylinder} is cold: do not lean it.` : ''}`;
  return `${first}Then 3 % more fuel to this cylinder alone at a steady hold: cooler says richer than peak.`;
}

/** Undefined when nothing is known of how its probes followed. */
function openOf({ settling }: Hold): number | undefined {
  const open = [...(settling?.values() ?? [])].map(({ openK }) => openK);
  return open.length === 0 ? undefined : Math.round(Math.max(...open) * 10) / 10;
}

/** From so much on that a reading may still be from where it settles it is said: a fifth of what makes a cylinder differ. */
const openMinK = 3;

function sayWhatIsMissing(study: Study, vehicle: Vehicle): void {
  const engine = vehicle.engine;
  const open = Math.max(0, ...study.holds.map(({ openK }) => openK ?? 0));
  const ofSweeps = study.holds.some(({ kind }) => kind === 'sweep');
  if (open >= openMinK)
    study.notJudged.push({
      what: ofSweeps
        ? `differences of single cylinders below ${open} K: these are sweeps, and probes lag`
        : `where probes settle in holds as short as these, to better than ${open} K`,
      line: engine?.exhaustTemps.every(({ lagS }) => lagS)
        ? 'nothing: hold for 10 s'
        : 'engine: { exhaust_temps: { 1: { ..., lag: 0.6..1.2 s } } }, or holds of 10 s',
    });
  if ((engine?.banks.length ?? 0) === 0)
    study.notJudged.push({ what: 'bank and position', line: 'engine: { banks: { left: [1, 3, 5], right: [2, 4, 6] } }' });
  if (!engine?.exhaustTemps.some(({ probe }) => probe))
    study.notJudged.push({
      what: 'probes that were exchanged',
      line: 'engine: { exhaust_temps: { 1: { ..., probe: T-01 } } }; where 3 and 5 were exchanged without names: 3 probe: at 5, 5 probe: at 3',
    });
  for (const set of vehicle.injectorSets) {
    if (set.injectors.size === 0)
      study.notJudged.push({
        what: `injectors of ${set.name} that were exchanged`,
        line: `injector_sets: { ${set.name}: { injectors: { 1: P-11 } } }; where 3 and 5 were exchanged without names: { 3: at 5, 5: at 3 }`,
      });
  }
  if (new Set(study.holds.map(({ session }) => session)).size < 2)
    study.notJudged.push({
      what: 'whether a change helped',
      line: 'nothing: one session alone; record holds before and behind the change, and the first arrangement again',
    });
}
