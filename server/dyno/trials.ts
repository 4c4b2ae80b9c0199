// Every trial that could come next, with what it is expected to do and to teach: regroupings, swaps, a set off, a little more fuel. Pure.
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { type Arrangement, type FittedModel, strengthMax } from './effects.ts';
import { Forecast } from './forecast.ts';
import { injectionPhases } from './phases.ts';

/** One proposal. A contract (`study --json`). */
export interface Trial {
  kind: 'set-off' | 'regroup' | 'label-swap' | 'probe-swap' | 'injector-swap' | 'enrich';
  /** What to do, in words. */
  change: string;
  /** Spread over all cylinders at the studied load, K, if the model is right. */
  predictedSpread: number;
  /** Deviation of each cylinder from the mean of all that the model expects then, K. */
  predicted: Record<number, number>;
  /** Share of the uncertainty about all effects that one hold would take away, 0 to 1. */
  teaches: number;
  /** Plugs, probes or injectors to move. */
  moves: number;
  /** Of regroupings: the plan, group → cylinders. */
  plan?: Record<string, number[]>;
  /** Of regroupings with group angles: cylinder → degrees from the opening of its intake stroke to its injection. */
  phases?: Record<number, number>;
}

/** Beyond so many labelled regroupings only those that exchange two plugs are listed; all are counted. */
const regroupingsMax = 1000;
/** A moved part costs a quarter of an hour with hot hands: so much it has to teach to be worth it. Common practice, no source. */
const costPerMove = 0.01;

/** n! / (Π size!): ways to give plugs to labelled groups. 20 for six in threes, 70 for eight in fours. */
export function countRegroupings(sizes: readonly number[]): number {
  let count = 1;
  let placed = 0;
  for (const size of sizes) for (let i = 1; i <= size; i++) count = (count * ++placed) / i;
  return Math.round(count);
}

/** The same where labels don't matter: groups of one size are alike. 10 for six in threes, 35 for eight in fours. */
export function countPlugLayouts(sizes: readonly number[]): number {
  const alike = new Map<number, number>();
  for (const size of sizes) alike.set(size, (alike.get(size) ?? 0) + 1);
  let count = countRegroupings(sizes);
  for (const times of alike.values()) for (let i = 2; i <= times; i++) count /= i;
  return Math.round(count);
}

/** All assignments of cylinders to groups of the given sizes, as group index by cylinder index. */
export function* listRegroupings(sizes: readonly number[]): Generator<number[]> {
  const left = [...sizes];
  const taken: number[] = [];
  const total = sizes.reduce((sum, size) => sum + size, 0);
  function* place(): Generator<number[]> {
    if (taken.length === total) {
      yield [...taken];
      return;
    }
    for (let group = 0; group < left.length; group++) {
      if (left[group] === 0) continue;
      left[group] = (left[group] as number) - 1;
      taken.push(group);
      yield* place();
      taken.pop();
      left[group] = (left[group] as number) + 1;
    }
  }
  yield* place();
}

/** Cylinders of a study: with a reading, those that differ, most first, and those whose parts are worth an exchange. */
export interface StudiedCylinders {
  all: readonly number[];
  differing: readonly number[];
  exchanged: readonly number[];
}

/** All trials, the best first. `usualShare`: what each set gives of the fuel. */
export function listTrials(
  model: FittedModel,
  vehicle: Vehicle,
  now: Arrangement,
  cylinders: StudiedCylinders,
  usualShare: ReadonlyMap<string, number>,
): Trial[] {
  const forecast = new Forecast(model, cylinders.all);
  const make: Make = (kind, change, moves, arrangement, more) => ({
    kind,
    change,
    ...predictionOf(forecast, arrangement),
    teaches: Math.round(forecast.uncertaintyTaken(arrangement) * 1000) / 1000,
    moves,
    ...more,
  });
  const trials = [
    ...setOffTrials(vehicle, now, usualShare, make),
    ...vehicle.injectorSets.flatMap((set) => regroupTrials(vehicle, set, now, make)),
    ...swapTrials(vehicle, now, cylinders, make),
    ...enrichTrials(forecast, now, cylinders.differing),
  ];
  return trials.sort((a, b) => worth(b) - worth(a));
}

type Make = (
  kind: Trial['kind'],
  change: string,
  moves: number,
  arrangement: Arrangement,
  more?: { plan: Record<string, number[]>; phases?: Record<number, number> },
) => Trial;

const worth = (trial: Trial) => trial.teaches - costPerMove * trial.moves;

function predictionOf(forecast: Forecast, arrangement: Arrangement): Pick<Trial, 'predictedSpread' | 'predicted'> {
  const tenth = (value: number) => Math.round(value * 10) / 10;
  const values = forecast.deviations(arrangement);
  const predicted = Object.fromEntries(forecast.cylinders.map((cylinder, i) => [cylinder, tenth(values[i] as number)]));
  return { predictedSpread: tenth(spreadOf(values)), predicted };
}

function spreadOf(values: readonly number[]): number {
  return values.length === 0 ? 0 : Math.max(...values) - Math.min(...values);
}

/** A second set off against on at the same safe load: moves nothing. One set at least carries the engine: of several, the batch sets go off. */
function setOffTrials(vehicle: Vehicle, now: Arrangement, usualShare: ReadonlyMap<string, number>, make: Make): Trial[] {
  const sets = vehicle.injectorSets;
  const batch = sets.filter(({ name }) => now.group.has(name));
  const off = sets.length < 2 ? [] : batch.length > 0 && batch.length < sets.length ? batch : sets.slice(1);
  return off.map((set) => {
    // The other sets give what this one gave before, each as much more as the others.
    const rest = 1 - (usualShare.get(set.name) ?? 0);
    const more = (before: number) => Math.min(strengthMax, before / Math.max(1e-3, rest));
    const strength = new Map([...now.strength].map(([name, before]) => [name, name === set.name ? 0 : more(before)]));
    return make('set-off', `the same hold with ${set.name} off, then on again, at a load that is safe without it`, 0, {
      ...now,
      strength,
    });
  });
}

function regroupTrials(vehicle: Vehicle, set: InjectorSet, now: Arrangement, make: Make): Trial[] {
  const plan = set.plans.find(({ name }) => name === set.plan);
  if (!plan || plan.groups.length < 2) return [];
  const cylinders = plan.groups.flatMap((group) => group.cylinders).sort((a, b) => a - b);
  const current = cylinders.map((cylinder) => plan.groups.findIndex((group) => group.cylinders.includes(cylinder)));
  const sizes = plan.groups.map((group) => group.cylinders.length);
  const angles = plan.groups.map(({ name }) => set.groupAngles?.anglesDeg.get(name));
  const labelsMatter = new Set(angles).size > 1;
  const layouts = countRegroupings(sizes) > regroupingsMax ? nearbyRegroupings(current) : listRegroupings(sizes);
  const seen = new Set<string>([layoutKey(current, labelsMatter)]);
  const trials: Trial[] = [];
  for (const layout of layouts) {
    const key = layoutKey(layout, labelsMatter);
    if (seen.has(key)) continue;
    seen.add(key);
    const onlyLabels = layoutKey(layout, false) === layoutKey(current, false);
    const groups = new Map(cylinders.map((cylinder, i) => [cylinder, plan.groups[layout[i] as number]?.name as string]));
    const moved = onlyLabels ? 0 : layout.filter((group, i) => group !== current[i]).length;
    const written = Object.fromEntries(plan.groups.map(({ name }, g) => [name, cylinders.filter((_, i) => layout[i] === g)]));
    const change = `${set.name}: ${Object.entries(written)
      .map(([name, members]) => `${name} ${members.join(', ')}`)
      .join('; ')}${onlyLabels ? ' (labels swapped in the controller, no plug moves)' : ''}`;
    const group = new Map(now.group).set(set.name, groups);
    const phases = injectionPhases(
      vehicle,
      set,
      Object.entries(written).map(([name, members]) => ({ name, cylinders: members })),
    );
    trials.push(
      make(onlyLabels ? 'label-swap' : 'regroup', change, moved, { ...now, group }, { plan: written, ...(phases ? { phases } : {}) }),
    );
  }
  return trials;
}

/** Where there are too many layouts: those that one exchange of two plugs gives. */
function* nearbyRegroupings(current: readonly number[]): Generator<number[]> {
  for (let i = 0; i < current.length; i++) {
    for (let j = i + 1; j < current.length; j++) {
      if (current[i] === current[j]) continue;
      const layout = [...current];
      [layout[i], layout[j]] = [layout[j] as number, layout[i] as number];
      yield layout;
    }
  }
}

/** With labels, the layout as it is; without, groups renamed in the order in which they first appear. */
function layoutKey(layout: readonly number[], labelsMatter: boolean): string {
  if (labelsMatter) return layout.join();
  const names = new Map<number, number>();
  for (const group of layout) if (!names.has(group)) names.set(group, names.size);
  return layout.map((group) => names.get(group)).join();
}

/** Probe and injectors of a cylinder that differs, exchanged with those of one that doesn't. */
function swapTrials(vehicle: Vehicle, now: Arrangement, { all, exchanged: odd }: StudiedCylinders, make: Make): Trial[] {
  const trials: Trial[] = [];
  const seen = new Set<string>();
  for (const cylinder of odd) {
    const usual = all.filter((other) => other !== cylinder && !odd.includes(other));
    for (const other of (usual.length > 0 ? usual : all.filter((candidate) => candidate !== cylinder)).slice(0, 3)) {
      // Where all differ each is the other's partner in turn.
      const pair = [cylinder, other].sort((first, second) => first - second).join();
      if (seen.has(pair)) continue;
      seen.add(pair);
      const probes = exchanged(now.probe, cylinder, other);
      if (probes)
        trials.push(make('probe-swap', `exchange the probes of cylinders ${cylinder} and ${other}`, 2, { ...now, probe: probes }));
      for (const set of vehicle.injectorSets) {
        const injectors = exchanged(now.injector.get(set.name), cylinder, other);
        if (!injectors) continue;
        const injector = new Map(now.injector).set(set.name, injectors);
        trials.push(
          make('injector-swap', `exchange the ${set.name} injectors of cylinders ${cylinder} and ${other}`, 2, { ...now, injector }),
        );
      }
    }
  }
  return trials;
}

function exchanged(things: ReadonlyMap<number, string> | undefined, a: number, b: number): Map<number, string> | undefined {
  const [first, second] = [things?.get(a), things?.get(b)];
  if (first === undefined || second === undefined) return undefined;
  return new Map(things).set(a, second).set(b, first);
}

/**
 * Three per cent more fuel to one cylinder at a steady hold: it must cool it where the mixture is richer than peak. Only ever more:
 * leaning a cold cylinder that misfires or detonates destroys it. It teaches the sign of the mixture, nothing of where an effect sits: so it
 * comes once the others have nothing to teach that is worth their moves.
 */
function enrichTrials(forecast: Forecast, now: Arrangement, differing: readonly number[]): Trial[] {
  const prediction = predictionOf(forecast, now);
  return differing.map((cylinder) => ({
    kind: 'enrich',
    change: `3 % more fuel to cylinder ${cylinder} alone at a steady hold: a fall says that more fuel cools it, a rise that it is on the lean side or misfires`,
    ...prediction,
    teaches: 0,
    moves: 0,
  }));
}
