// The distribution study: effects with their uncertainty, the cylinders that differ and the test that decides, and what to try next. Pure.
import { medianOf } from '../checks/watch.ts';
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { type Arrangement, type EffectEstimate, type FittedModel, fitEffects, listColumns, toArrangement, toEstimates } from './effects.ts';
import { deviations, type Hold } from './holds.ts';
import { listTrials, type Trial } from './trials.ts';

/** One cylinder of the study. A contract (`study --json`). */
export interface CylinderFinding {
  cylinder: number;
  differs: boolean;
  /** Deviation from the median of the others, K, over the holds with every set on. */
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
  holds: { session: number; from: number; to: number; speed: number; spread: number }[];
  /** Injection set → group of the plan in force → cylinder → degrees from the opening of its intake stroke to its injection. */
  phases: Record<string, Record<number, number>>;
  notJudged: { what: string; line: string }[];
}

/** Below 15 to 20 K between cylinders nothing is said yet: class 2 type K alone allows ± 6.8 K at 900 °C (IEC 60584-2). */
const differsMinK = 15;

/** Studies the holds of one engine; of several vehicles the last session's says how things stand now. */
export function studyDistribution(holds: readonly Hold[]): Study {
  const study: Study = { effects: [], cylinders: [], trials: [], holds: holds.map(toHoldView), phases: {}, notJudged: [] };
  const last = holds[holds.length - 1];
  if (!last) {
    study.notJudged.push({
      what: 'the distribution',
      line: 'nothing: no steady hold of five seconds and more was found in these sessions',
    });
    return study;
  }
  const usualShare = meanShares(holds);
  const observations = holds.map((hold) => ({ arrangement: toArrangement(hold.vehicle, hold, usualShare), temps: hold.temps }));
  const cylinders = [...new Set(holds.flatMap((hold) => [...hold.temps.keys()]))].sort((a, b) => a - b);
  const model = fitEffects(
    observations,
    listColumns(
      observations.map(({ arrangement }) => arrangement),
      cylinders,
    ),
  );
  study.effects = toEstimates(model);
  const now = toArrangement(last.vehicle, { off: new Set(), share: new Map() }, new Map());
  study.cylinders = findCylinders(holds, cylinders, now, study.effects, model);
  const differing = study.cylinders
    .filter(({ differs }) => differs)
    .sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0))
    .map(({ cylinder }) => cylinder);
  study.trials = listTrials(model, last.vehicle, now, cylinders, differing);
  for (const set of last.vehicle.injectorSets) {
    const phases = injectionPhases(last.vehicle, set);
    if (phases) study.phases[set.name] = phases;
  }
  sayWhatIsMissing(study, last.vehicle);
  return study;
}

function toHoldView(hold: Hold): Study['holds'][number] {
  const temps = [...hold.temps.values()];
  return {
    session: hold.session,
    from: hold.from,
    to: hold.to,
    speed: Math.round(hold.speedRpm),
    spread: Math.round((Math.max(...temps) - Math.min(...temps)) * 10) / 10,
  };
}

function meanShares(holds: readonly Hold[]): Map<string, number> {
  const shares = new Map<string, number[]>();
  for (const hold of holds)
    for (const [set, share] of hold.share) if (!hold.off.has(set)) shares.set(set, [...(shares.get(set) ?? []), share]);
  return new Map([...shares].map(([set, values]) => [set, values.reduce((sum, value) => sum + value, 0) / values.length]));
}

function findCylinders(
  holds: readonly Hold[],
  cylinders: readonly number[],
  now: Arrangement,
  effects: readonly EffectEstimate[],
  model: FittedModel,
): CylinderFinding[] {
  const full = holds.filter((hold) => hold.off.size === 0);
  const used = full.length > 0 ? full : holds;
  const byCylinder = new Map<number, number[]>(cylinders.map((cylinder) => [cylinder, []]));
  for (const hold of used) for (const [cylinder, kelvin] of deviations(hold.temps)) byCylinder.get(cylinder)?.push(kelvin);
  const least = Math.max(differsMinK, (2 * model.noiseK) / Math.sqrt(used.length));
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
      candidates: candidatesOf(cylinder, kelvin, now, effects),
      test: decidingTest(cylinder, kelvin, now, effects),
    };
  });
}

/** Of two probes one can say that they differ, never which. */
function pairWord(cylinders: readonly number[], kelvin: number | undefined, least: number): string {
  if (cylinders.length === 2 && kelvin !== undefined && Math.abs(kelvin) >= least)
    return 'the two differ; which one is off, two probes can not say: exchange the probes';
  return '';
}

/** Effects of this cylinder's own parts that the sessions could separate, then what the trade knows, hot or cold. */
function candidatesOf(cylinder: number, kelvin: number, now: Arrangement, effects: readonly EffectEstimate[]): string[] {
  const found = ownEffects(cylinder, now, effects)
    .filter(
      (effect) =>
        effect.separable &&
        effect.kelvin !== null &&
        Math.sign(effect.kelvin) === Math.sign(kelvin) &&
        Math.abs(effect.kelvin) >= 0.3 * Math.abs(kelvin),
    )
    .sort((a, b) => Math.abs(b.kelvin ?? 0) - Math.abs(a.kelvin ?? 0))
    .map((effect) => `${effect.kind} ${effect.subject} (${effect.kelvin} K)`);
  const open = ownEffects(cylinder, now, effects)
    .filter((effect) => !effect.separable)
    .map((effect) => `${effect.kind} ${effect.subject} (not separated yet)`);
  const trade =
    kelvin > 0
      ? [
          'leaner than the others while all are richer than peak',
          'richer while all are leaner than peak',
          'late timing',
          'an exhaust leak or burning in the header',
          'a deeper probe',
        ]
      : [
          'misfire',
          'richer than the others while all are richer than peak',
          'leaner while all are leaner than peak',
          'advanced timing or detonation',
          'low compression',
          'less air',
          'a shallow probe',
        ];
  return [...found, ...open, ...trade];
}

function ownEffects(cylinder: number, now: Arrangement, effects: readonly EffectEstimate[]): EffectEstimate[] {
  return effects.filter(({ kind, subject }) => {
    if (kind === 'cylinder') return subject === String(cylinder);
    if (kind === 'probe') return subject === now.probe.get(cylinder);
    if (kind === 'bank') return subject === now.bank.get(cylinder);
    if (kind === 'group') return [...now.group].some(([set, groups]) => subject === `${groups.get(cylinder)} of ${set}`);
    if (kind === 'injector') return [...now.injector].some(([set, injectors]) => subject === `${injectors.get(cylinder)} of ${set}`);
    return false;
  });
}

/** The cheapest test that still decides. A cold cylinder is looked at before anything is changed, and never leaned. */
function decidingTest(cylinder: number, kelvin: number, now: Arrangement, effects: readonly EffectEstimate[]): string {
  const open = new Set(
    ownEffects(cylinder, now, effects)
      .filter(({ separable }) => !separable)
      .map(({ kind }) => kind),
  );
  const first =
    kelvin < 0
      ? `plug, compression and a look for misfire and detonation on cylinder ${cylinder} first; do not lean it. `
      : `look for an exhaust leak at port ${cylinder} and check its timing first. `;
  if (open.has('probe')) return `${first}Then exchange its probe with a neighbour's: if the reading follows the probe, it is the probe.`;
  if (open.has('group')) return `${first}Then the same hold with the batch set off: what goes with it belongs to its group or injector.`;
  if (open.has('injector'))
    return `${first}Then exchange its injector with one of a cylinder that doesn't differ: does it follow the injector or the hole?`;
  return `${first}Then 3 % more fuel to this cylinder alone at a steady hold: cooler says richer than peak.`;
}

/**
 * Degrees from the opening of a cylinder's intake stroke (top dead centre of gas exchange, 360° behind its compression top) to the
 * injection of its group nearest to it, −360 to 360, from firing order and group angles. Undefined without them.
 * Worked: six cylinders 1-5-3-6-2-4, angle 60° behind compression top of cylinder 1, once a cycle: cylinder 1 −300, cylinder 5 (120° later) 300.
 */
export function injectionPhases(vehicle: Vehicle, set: InjectorSet): Record<number, number> | undefined {
  const { engine } = vehicle;
  const plan = set.plans.find(({ name }) => name === set.plan);
  const order = engine?.firingOrder ?? [];
  if (!engine || !plan || !set.groupAngles || order.length === 0) return undefined;
  const cycleDeg = engine.cycle === 'two-stroke' ? 360 : 720;
  const repeatDeg = cycleDeg / (set.injectionsPerCycle ?? 1);
  const phases: Record<number, number> = {};
  for (const group of plan.groups) {
    const angle = set.groupAngles.anglesDeg.get(group.name);
    if (angle === undefined) continue;
    for (const cylinder of group.cylinders) {
      const fires = (cycleDeg / order.length) * (order.indexOf(cylinder) - order.indexOf(1));
      const opens = fires + cycleDeg / 2;
      const turns = (((angle - opens) % repeatDeg) + repeatDeg) % repeatDeg;
      phases[cylinder] = turns > repeatDeg / 2 ? turns - repeatDeg : turns;
    }
  }
  return phases;
}

function sayWhatIsMissing(study: Study, vehicle: Vehicle): void {
  const engine = vehicle.engine;
  if ((engine?.banks.length ?? 0) === 0)
    study.notJudged.push({ what: 'bank and position', line: 'engine: { banks: { left: [1, 3, 5], right: [2, 4, 6] } }' });
  if (!engine?.exhaustTemps.some(({ probe }) => probe))
    study.notJudged.push({ what: 'probes that were exchanged', line: 'engine: { exhaust_temps: { 1: { ..., probe: T-01 } } }' });
  for (const set of vehicle.injectorSets) {
    if (set.injectors.size === 0)
      study.notJudged.push({
        what: `injectors of ${set.name} that were exchanged`,
        line: `injector_sets: { ${set.name}: { injectors: { 1: P-11 } } }`,
      });
  }
  if (new Set(study.holds.map(({ session }) => session)).size < 2)
    study.notJudged.push({
      what: 'whether a change helped',
      line: 'nothing: one session alone; record holds before and behind the change, and the first arrangement again',
    });
}
