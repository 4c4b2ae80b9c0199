// The `faults:` of a scenario file: what each takes, checked against the vehicle, and when it is in force.
import { isMap, LineCounter, parseDocument } from 'yaml';
import type { Problem, Vehicle } from '../definitions/vehicle.ts';
import { type Fault, type FaultKind, type FaultTarget, faultKinds, getFaultKind, loads } from './fault.ts';
import type { Stage } from './scenario.ts';
import { locatedProblem, ScenarioNode } from './scenario-node.ts';

/** One fault written as an item of `faults:` (a page sends JSON, which is YAML), with every problem located. */
export function parseFault(text: string, vehicle: Vehicle): { fault: Fault | undefined; problems: Problem[] } {
  const lines = new LineCounter();
  const { contents } = parseDocument(text, { lineCounter: lines });
  const file = { path: 'fault', text, lines, problems: [] as Problem[] };
  if (!isMap(contents)) {
    file.problems.push(locatedProblem(file, 0, 0, 'a fault is a map', 'Write { fault: NAME }.'));
    return { fault: undefined, problems: file.problems };
  }
  const node = new ScenarioNode(file, contents);
  const fault = readFault(node, vehicle);
  node.done();
  return { fault: file.problems.length > 0 ? undefined : fault, problems: file.problems };
}

/** Reads `faults:` of the scenario. Times are of one round. */
export function readFaults(root: ScenarioNode, vehicle: Vehicle, stages: Stage[]): Fault[] {
  const faults: Fault[] = [];
  for (const node of root.children('faults')) {
    const { problems } = node.file;
    const before = problems.length;
    const optional = node.yes('if_present', false);
    const fault = readFault(node, vehicle);
    if (optional && problems.length > before) {
      // A scenario for any vehicle leaves out what this one doesn't have.
      problems.length = before;
      continue;
    }
    for (const during of whenInForce(node, stages)) faults.push({ ...fault, ...during });
    node.done();
  }
  return faults;
}

function readFault(node: ScenarioNode, vehicle: Vehicle): Fault {
  node.needed('fault', 'Say which: `fault: dead_injector`.');
  const kind = node.oneOf('fault', Object.keys(faultKinds) as FaultKind[], 'dead_injector');
  const row = getFaultKind(kind);
  const fault: Fault = { kind, fromUs: 0, toUs: Number.POSITIVE_INFINITY, amount: row.amount?.usual ?? 0 };
  for (const target of row.needs) node.needed(target, `A ${kind} needs \`${target}\`.`);
  for (const target of [...row.needs, ...(row.may ?? [])]) if (node.has(target)) readTarget(node, target, fault, vehicle);
  if (kind === 'supply_shift' && !node.has('group') && !node.has('channel'))
    node.needed('group', 'Name a supply or ground group, or a channel.');
  if (row.amount) {
    const unit = row.amount.unit === 'own' ? unitOf(vehicle, fault.channel) : row.amount.unit;
    fault.amount = node.quantity(row.amount.key, unit, row.amount.usual);
  }
  return fault;
}

/** `during: STAGE` (each stage of that name) with `after` and `for`, or `from` and `to`; neither is all the time. */
function whenInForce(node: ScenarioNode, stages: Stage[]): { fromUs: number; toUs: number }[] {
  const name = node.text('during');
  const afterS = node.quantity('after', 's', 0);
  const forS = node.quantity('for', 's', Number.POSITIVE_INFINITY);
  const fromS = node.quantity('from', 's', 0);
  const toS = node.quantity('to', 's', Number.POSITIVE_INFINITY);
  if (name === undefined) return [inUs(fromS + afterS, Math.min(toS, fromS + afterS + forS))];
  const named = stages.filter((stage) => stage.as === name || (stage.as === undefined && stage.kind === name));
  if (named.length === 0) node.problemAt('during', `no stage is named '${name}'`, 'Name a stage with `as:`.');
  return named.map((stage) =>
    inUs(stage.fromS + afterS, Math.min(stage.fromS + afterS + forS, forS === Number.POSITIVE_INFINITY ? stage.toS : forS + stage.toS)),
  );
}

function inUs(fromS: number, toS: number): { fromUs: number; toUs: number } {
  return { fromUs: Math.round(fromS * 1e6), toUs: Math.round(toS * 1e6) };
}

function unitOf(vehicle: Vehicle, channel: string | undefined): string {
  for (const bus of vehicle.buses) {
    for (const frame of bus.frames) for (const signal of frame.signals) if (signal.name === channel) return differenceUnit(signal.unit);
  }
  return '';
}

/** An error of a temperature is a difference, so it is written in K. */
function differenceUnit(unit: string): string {
  return unit === 'degC' ? 'K' : unit;
}

function readTarget(node: ScenarioNode, target: FaultTarget, fault: Fault, vehicle: Vehicle): void {
  const text = (node.list(target)[0] ?? '').trim();
  const known = (names: string[], what: string): string => {
    if (!names.includes(text))
      node.problemAt(
        target,
        `the vehicle has no ${what} '${text}'`,
        names.length > 0 ? `Use one of: ${names.slice(0, 12).join(', ')}.` : `Describe its ${what}s first.`,
      );
    return text;
  };
  const frames = vehicle.buses.flatMap((bus) => bus.frames);
  if (target === 'cylinder') fault.cylinder = cylinderOf(node, target, text, vehicle);
  if (target === 'cylinders') {
    const [first = '', second = ''] = node.list(target);
    fault.cylinders = [cylinderOf(node, target, first, vehicle), cylinderOf(node, target, second, vehicle)];
  }
  if (target === 'set')
    fault.set = known(
      vehicle.injectorSets.map((set) => set.name),
      'injector set',
    );
  if (target === 'channel')
    fault.channel = known(
      frames.flatMap((frame) => frame.signals.map((signal) => signal.name)),
      'signal',
    );
  if (target === 'device')
    fault.device = known(
      vehicle.buses.flatMap((bus) => bus.devices.map((device) => device.name)),
      'device',
    );
  if (target === 'frame')
    fault.frame = known(
      frames.map((frame) => frame.name),
      'frame',
    );
  if (target === 'group') fault.group = known([...vehicle.supplies.keys(), ...vehicle.grounds.keys()], 'supply or ground group');
  if (target === 'load') fault.load = node.oneOf('load', loads, 'pump');
  if (target === 'id') fault.id = Number(text);
  if (target === 'bus')
    fault.bus = Math.max(
      0,
      vehicle.buses.findIndex(
        (bus) =>
          bus.name ===
          known(
            vehicle.buses.map((b) => b.name),
            'bus',
          ),
      ),
    );
  if (target === 'stretch') readStretch(node, fault, vehicle);
}

function cylinderOf(node: ScenarioNode, key: string, text: string, vehicle: Vehicle): number {
  const cylinder = Number(text);
  const count = vehicle.engine?.cylinders ?? 0;
  if (!(Number.isInteger(cylinder) && cylinder >= 1 && cylinder <= count))
    node.problemAt(key, `the engine has no cylinder '${text}'`, `Use 1 to ${count}.`);
  return cylinder;
}

/** `stretch: [a, b]` or `a - b`: two neighbours on a trunk, which also says the bus. */
function readStretch(node: ScenarioNode, fault: Fault, vehicle: Vehicle): void {
  const parts = node.list('stretch');
  const [a = '', b = ''] = parts.length === 1 ? (parts[0] as string).split(' - ').map((part) => part.trim()) : parts;
  for (const bus of vehicle.buses) {
    const trunk = bus.trunk ?? [];
    for (let i = 1; i < trunk.length; i++) {
      const names = [trunk[i - 1]?.name, trunk[i]?.name];
      if (!names.includes(a) || !names.includes(b)) continue;
      fault.stretch = [names[0] as string, names[1] as string];
      fault.bus ??= bus.index;
      return;
    }
  }
  node.problemAt(
    'stretch',
    `'${a}' and '${b}' are not neighbours on a trunk`,
    'Name two neighbours of `trunk:`, such as [engine-controller, bench plug].',
  );
}
