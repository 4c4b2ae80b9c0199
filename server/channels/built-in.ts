// The channels that a vehicle file makes possible without a formula, and those that it doesn't, with the line that would.
import { builtInNames, toNamePart } from '../definitions/built-in-names.ts';
import type { Reference, Vehicle } from '../definitions/vehicle.ts';
import type { Computation } from './computation.ts';
import { listExhaust } from './exhaust-channels.ts';
import type { FormulaContext } from './formula-compile.ts';
import { listFuel } from './fuel-channels.ts';

/** A channel that the vehicle file does not make possible, and the line that would. */
export interface NotMade {
  channel: string;
  /** What to add, and where: `engine: speed: CHANNEL`. */
  line: string;
}

export interface BuiltIn {
  name: string;
  unit: string;
  /** Text in our formula language, or where `make` is given a sentence. */
  formula: string;
  /** Names of the channels that it is computed from. */
  inputs: string[];
  /** Undefined: the formula is compiled, or with `bus` the pipeline counts frames. */
  make?: (context: FormulaContext) => Computation;
  /** Of a channel about a bus itself. */
  bus?: { index: number; counts: 'load' | 'errors' };
}

/** A channel that built-in ones may be made from: a signal, or the user's own derived channel. */
export interface NamedSource {
  unit: string;
  reference?: Reference | undefined;
}

/** What listing functions work with. */
export class BuiltInList {
  readonly vehicle: Vehicle;
  readonly sources: ReadonlyMap<string, NamedSource>;
  readonly made: BuiltIn[] = [];
  readonly notMade: NotMade[] = [];

  constructor(vehicle: Vehicle) {
    this.vehicle = vehicle;
    this.sources = sourcesOf(vehicle);
  }

  add(builtIn: BuiltIn): void {
    this.made.push(builtIn);
  }

  /** Notes channels that need `line` first. */
  refuse(channels: string | string[], line: string): void {
    for (const channel of [channels].flat()) this.notMade.push({ channel, line });
  }
}

/** Signals and user-derived channels by name. */
function sourcesOf(vehicle: Vehicle): Map<string, NamedSource> {
  const sources = new Map<string, NamedSource>();
  for (const bus of vehicle.buses) {
    for (const frame of bus.frames) for (const { name, unit, reference } of frame.signals) sources.set(name, { unit, reference });
  }
  for (const { name, unit } of vehicle.derived) sources.set(name, { unit });
  return sources;
}

/** Built-in channels in a fixed order: engine state, exhaust, fuel, buses. */
export function listBuiltIns(vehicle: Vehicle): BuiltInList {
  const list = new BuiltInList(vehicle);
  listEngineState(list);
  listExhaust(list);
  listFuel(list);
  for (const { name, index } of vehicle.buses) {
    const part = toNamePart(name);
    const load = `time that frames take on bus ${name}, as a share of the last second, stuff bits counted`;
    list.add({ name: `bus_load_${part}`, unit: '%', formula: load, inputs: [], bus: { index, counts: 'load' } });
    const errors = `error frames that bus ${name} has reported`;
    list.add({ name: `bus_errors_${part}`, unit: 'count', formula: errors, inputs: [], bus: { index, counts: 'errors' } });
  }
  return list;
}

/** Names of built-in channels that this vehicle could have: a user's channel may not take them. */
export function reservedNames(vehicle: Pick<Vehicle, 'buses' | 'engine' | 'injectorSets'>): ReadonlySet<string> {
  const parts = {
    buses: vehicle.buses.map((bus) => bus.name),
    banks: (vehicle.engine?.banks ?? []).map((bank) => bank.name),
    injectorSets: vehicle.injectorSets.map((set) => set.name),
    cylinders: vehicle.engine?.cylinders ?? 0,
  };
  return new Set(builtInNames(parts).keys());
}

function listEngineState(list: BuiltInList) {
  const { engine } = list.vehicle;
  const speed = engine?.roles.speed;
  const names = ['engine_running', 'engine_cranking'];
  if (!engine || speed === undefined) return list.refuse(names, 'engine: speed: CHANNEL');
  const unit = list.sources.get(speed)?.unit;
  // A speed without unit can only be in rpm: there is no other unit of it.
  if (unit !== 'rpm' && unit !== '') return list.refuse(names, `${speed}: unit: rpm`);
  const behind = unit === '' ? '' : ' rpm';
  const running = `${speed} > ${engine.runningAboveRpm}${behind}`;
  const cranking = `${speed} > ${engine.crankingAboveRpm}${behind} and ${speed} <= ${engine.runningAboveRpm}${behind}`;
  list.add({ name: 'engine_running', unit: '', formula: running, inputs: [speed] });
  list.add({ name: 'engine_cranking', unit: '', formula: cranking, inputs: [speed] });
}
