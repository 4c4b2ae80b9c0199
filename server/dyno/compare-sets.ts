// Any two sets of pulls or holds side by side, cell by cell of engine speed and load, in a quantity of choice. Pure.
import { medianOf } from '../checks/watch.ts';
import { type ComparedPull, type Comparison, comparePulls } from './compare-pulls.ts';
import type { PullProfile, SpeedBand } from './pull-profile.ts';
import { type StartState, startItems } from './start-state.ts';

/** One pull of a comparison with what stood around it. */
export interface SetPull {
  set: ComparedPull['set'];
  /** Place in the order in which all were driven: 1 first. */
  order: number;
  profile: PullProfile;
  start: StartState;
  /** Torque and power by middle of the band, where a log or a channel gave them. */
  power?: ReadonlyMap<number, { torqueNm: number; powerKw: number }>;
}

/** Where pulls are compared: like speed and like load. `load` is null where the vehicle names neither manifold pressure nor throttle. */
export interface Cell {
  kind: PullProfile['kind'];
  speed: number;
  load: number | null;
}

export interface SetComparison extends Omit<Comparison<string>, 'bands'> {
  quantity: string;
  unit: string;
  /** Smallest difference that is held to matter, in `unit`. */
  matters: number;
  cells: (Comparison<string>['bands'][number] & Cell)[];
  /** In the order in which they were driven: A is before, B behind the change. */
  order: string;
}

interface Quantity {
  unit: string;
  /** Smallest difference that matters. Common practice, no source; 15 K between exhaust temperatures as everywhere. */
  matters: number;
  of(band: SpeedBand, pull: SetPull): number | null | undefined;
}

/**
 * What can be compared: `spread`, `rms`, `temp:N`, `deviation:N` (from the others' median), `duty:SET`, `delta:SET`, `lambda`, `timing`, `torque`,
 * `power`. Undefined for a name that is none of them.
 */
export function findQuantity(name: string): Quantity | undefined {
  const [kind, of = ''] = name.split(/:(.*)/s);
  const cylinder = Number(of);
  const ofSet = (pull: SetPull) => pull.profile.sets.findIndex(({ set }) => set === of);
  const ofCylinder = (pull: SetPull) => pull.profile.cylinders.indexOf(cylinder);
  switch (kind) {
    case 'spread':
      return { unit: 'K', matters: 15, of: ({ spreadK }) => spreadK };
    case 'rms':
      return { unit: 'K', matters: 6, of: ({ rmsK }) => rmsK };
    case 'temp':
      return { unit: 'degC', matters: 15, of: ({ temps }, pull) => temps[ofCylinder(pull)] };
    case 'deviation':
      return { unit: 'K', matters: 15, of: ({ temps }, pull) => deviationOf(temps, ofCylinder(pull)) };
    case 'duty':
      return { unit: '%', matters: 3, of: ({ duty }, pull) => duty[ofSet(pull)] };
    case 'delta':
      return { unit: 'kPa', matters: 10, of: ({ deltaKpa }, pull) => deltaKpa[ofSet(pull)] };
    case 'lambda':
      return { unit: 'lambda', matters: 0.02, of: ({ lambda }) => medianOf(lambda.filter((value) => value !== null)) };
    case 'timing':
      return { unit: 'deg', matters: 0.5, of: ({ timing }) => timing };
    case 'torque':
      return { unit: 'Nm', matters: 5, of: ({ speed }, { power }) => power?.get(speed)?.torqueNm };
    case 'power':
      return { unit: 'kW', matters: 3, of: ({ speed }, { power }) => power?.get(speed)?.powerKw };
    default:
      return undefined;
  }
}

/** From the median of the others, as everywhere; null with fewer than three probes. */
function deviationOf(temps: readonly (number | null)[], at: number): number | null {
  const own = temps[at];
  const others = temps.filter((temp, i) => i !== at && temp !== null) as number[];
  if (own === null || own === undefined || others.length < 2) return null;
  return own - (medianOf(others) as number);
}

/** Holds and bands of sweeps this near in load are one cell; holds this near in speed too. As the study's load points. */
const sameShare = { speed: 0.06, load: 0.1 };

/** Compares `pulls` in one quantity. Cells that only one set has are left out; a comparison without any common cell says so in its advice. */
export function compareSets(pulls: readonly SetPull[], name: string): SetComparison | undefined {
  const quantity = findQuantity(name);
  if (!quantity) return undefined;
  const cells = new Cells();
  const compared = pulls.map((pull) => {
    const bands = new Map<string, number>();
    for (const band of pull.profile.bands) {
      const value = quantity.of(band, pull);
      if (value !== null && value !== undefined) bands.set(cells.keyOf(pull.profile.kind, band), value);
    }
    const startC = medianStart(pull.start);
    // Sweeps are one stratum; a hold is alike with the holds of its load point.
    const stratum = pull.profile.kind === 'hold' ? `hold ${[...bands.keys()].join()}` : 'sweep';
    return { set: pull.set, order: pull.order, bands, stratum, ...(startC === undefined ? {} : { startC }) };
  });
  const { bands, ...whole } = comparePulls(compared, quantity.matters);
  const inOrder = [...pulls].sort((a, b) => a.order - b.order);
  return {
    ...whole,
    quantity: name,
    unit: quantity.unit,
    matters: quantity.matters,
    cells: bands.map((band) => ({ ...band, ...cells.get(band.band) })).sort((a, b) => a.kind.localeCompare(b.kind) || a.speed - b.speed),
    order: inOrder.map(({ set }) => (set === 'before' ? 'A' : 'B')).join('-'),
  };
}

function medianStart(start: StartState): number | undefined {
  return start.oil ?? start.coolant ?? medianOf(startItems.flatMap((item) => (item === 'exhaust' ? [] : (start[item] ?? []))));
}

class Cells {
  private readonly firsts: Cell[] = [];

  keyOf(kind: Cell['kind'], { speed, load }: SpeedBand): string {
    const near = (a: number, b: number, share: number) => Math.abs(a - b) <= share * Math.max(Math.abs(a), Math.abs(b));
    const found = this.firsts.findIndex(
      (first) =>
        first.kind === kind &&
        (kind === 'sweep' ? first.speed === speed : near(first.speed, speed, sameShare.speed)) &&
        (first.load === null || load === null ? first.load === load : near(first.load, load, sameShare.load)),
    );
    return String(found >= 0 ? found : this.firsts.push({ kind, speed, load }) - 1);
  }

  get(key: string): Cell {
    return this.firsts[Number(key)] as Cell;
  }
}
