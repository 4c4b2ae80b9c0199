// The harness as harness.yaml draws it: connectors, pins, wires, circuits; from a pin to everything on it, and back. Pure.
import { findUnknownNames } from '../definitions/harness-names.ts';
import { harnessSchema } from '../definitions/harness-schema.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

export interface Half {
  name: string;
  side?: 'engine' | 'car';
  gender?: 'pins' | 'sockets';
  at?: string;
}

export interface Connector {
  name: string;
  title: string;
  device?: string;
  /** One when it doesn't say: a plug on a device or sensor. */
  halves: Half[];
  /** In the file's order; those that only wires name come behind. */
  pins: string[];
  unplugToLift?: string;
}

export interface Wire {
  /** `connector.pin` */
  from: string;
  to: string;
  circuit?: string;
  areaMm2?: number;
  /** As written: `AWG 20`, `0.5 mm2`; empty when not said. */
  gauge: string;
  lengthM?: number;
  colour?: string;
  fuse?: string;
  alloy?: string;
  polarity?: 'positive' | 'negative';
}

export interface Circuit {
  name: string;
  title: string;
  channel?: string;
  loadA?: number;
  anyPinOf?: string;
}

export interface Fuse {
  name: string;
  title: string;
  ratingA: number;
}

export interface Harness {
  name: string;
  connectors: Connector[];
  wires: Wire[];
  circuits: Circuit[];
  fuses: Fuse[];
  /** Group name → pins. */
  pinGroups: ReadonlyMap<string, string[]>;
}

/** A place where the file contradicts itself. */
export interface HarnessFinding {
  say: string;
  fix: string;
}

/** Undefined when the vehicle has no harness file. */
export function readHarness(vehicle: Vehicle): Harness | undefined {
  if (vehicle.harness === undefined || vehicle.harness === null) return undefined;
  const plain = toPlain(vehicle.harness);
  const read = harnessSchema.safeParse(plain);
  if (!read.success) return undefined;
  const { harness = 'Harness', connectors = {}, wires = [], circuits = {}, fuses = {}, pin_groups: groups = {} } = read.data;
  const gauges = (plain as { wires?: { gauge?: unknown }[] }).wires ?? [];
  const allWires = wires.map((wire, i): Wire => {
    const { length, gauge: areaMm2, ...rest } = wire;
    return withoutUndefined({ ...rest, areaMm2, lengthM: length, gauge: toGaugeText(gauges[i]?.gauge) });
  });
  return {
    name: harness,
    connectors: Object.entries(connectors).map(([name, one]) => ({
      ...withoutUndefined({ name, title: one.title ?? name, device: one.device, unplugToLift: one.unplug_to_lift }),
      halves: Object.entries(one.halves ?? {}).map(([half, about]) => withoutUndefined({ name: half, ...about })),
      pins: [
        ...new Set([
          ...(one.pins ?? []),
          ...allWires
            .flatMap(({ from, to }) => [from, to])
            .filter((end) => connectorOf(end) === name)
            .map(pinOf),
        ]),
      ],
    })),
    wires: allWires,
    circuits: Object.entries(circuits).map(([name, one]) =>
      withoutUndefined({ name, title: one.title ?? name, channel: one.channel, loadA: one.load, anyPinOf: one.any_pin_of }),
    ),
    fuses: Object.entries(fuses).map(([name, one]) => ({ name, title: one.title ?? name, ratingA: one.rating })),
    pinGroups: new Map(Object.entries(groups)),
  };
}

export function connectorOf(end: string): string {
  return end.split('.')[0] ?? '';
}

export function pinOf(end: string): string {
  return end.split('.')[1] ?? '';
}

/** Wires that end at a pin. */
export function wiresAt(harness: Harness, end: string): Wire[] {
  return harness.wires.filter(({ from, to }) => from === end || to === end);
}

export function wiresOfCircuit(harness: Harness, circuit: string): Wire[] {
  return harness.wires.filter((wire) => wire.circuit === circuit);
}

/** Circuits that carry one of these channels. */
export function circuitsOfChannels(harness: Harness, channels: ReadonlySet<string>): Circuit[] {
  return harness.circuits.filter(({ channel }) => channel !== undefined && channels.has(channel));
}

/** Everything that hangs on a pin through wires and joined halves, nearest first, the pin itself first. */
export function reachedFrom(harness: Harness, end: string): string[] {
  const reached = [end];
  for (const at of reached) {
    for (const { from, to } of wiresAt(harness, at)) {
      const other = from === at ? to : from;
      if (!reached.includes(other)) reached.push(other);
    }
  }
  return reached;
}

/** Wires that hang together without a device or sensor between: what a continuity reading from end to end goes through. */
export interface Run {
  /** `controller-a.1 to port-injector-1.1`: names it, as long as its ends stay. */
  name: string;
  circuit?: string;
  ends: string[];
  wires: Wire[];
  /** All that is said of its wires: another wiring is not what was signed. */
  wiring: string;
}

/** Every wire belongs to one run. A wire without a circuit is a run of its own. */
export function runsOf(harness: Harness): Run[] {
  const left = [...harness.wires];
  const runs: Run[] = [];
  for (let first = left.shift(); first; first = left.shift()) {
    const wires = [first];
    const { circuit } = first;
    for (let i = 0; circuit !== undefined && i < wires.length; i++) {
      const at = wires[i] as Wire;
      const joined = left.filter(
        (wire) => wire.circuit === circuit && [wire.from, wire.to].some((end) => end === at.from || end === at.to),
      );
      for (const wire of joined) wires.push(...left.splice(left.indexOf(wire), 1));
    }
    const ends = endsOf(wires);
    runs.push({ ...(circuit === undefined ? {} : { circuit }), name: ends.join(' to '), ends, wires, wiring: JSON.stringify(wires) });
  }
  return runs;
}

/** Pins of a circuit on which exactly one of its wires ends: where it begins and where it goes. */
export function endsOf(wires: readonly Wire[]): string[] {
  const count = new Map<string, number>();
  for (const end of wires.flatMap(({ from, to }) => [from, to])) count.set(end, (count.get(end) ?? 0) + 1);
  const ends = [...count].flatMap(([end, times]) => (times === 1 ? [end] : []));
  return ends.length > 0 ? ends : [...new Set(wires.flatMap(({ from, to }) => [from, to]))].slice(0, 2);
}

/** What unplugging frees → the connectors to unplug, in the file's order. */
export function unplugLists(harness: Harness): { frees: string; connectors: Connector[] }[] {
  const frees = [...new Set(harness.connectors.flatMap(({ unplugToLift }) => unplugToLift ?? []))];
  return frees.map((what) => ({ frees: what, connectors: harness.connectors.filter(({ unplugToLift }) => unplugToLift === what) }));
}

/** Names that lead nowhere, pins that two circuits share, circuits outside their group of pins. */
export function findContradictions(harness: Harness): HarnessFinding[] {
  const unknown = findUnknownNames({
    connectors: new Set(harness.connectors.map(({ name }) => name)),
    circuits: new Map(harness.circuits.map((circuit) => [circuit.name, circuit])),
    fuses: new Set(harness.fuses.map(({ name }) => name)),
    pinGroups: new Set(harness.pinGroups.keys()),
    wires: harness.wires,
  });
  return [...unknown.map(({ say, fix }) => ({ say, fix })), ...findShared(harness), ...findOutsiders(harness)];
}

function findShared(harness: Harness): HarnessFinding[] {
  const ends = new Set(harness.wires.flatMap(({ from, to }) => [from, to]));
  return [...ends].flatMap((end) => {
    const names = [...new Set(wiresAt(harness, end).flatMap(({ circuit }) => circuit ?? []))];
    if (names.length < 2) return [];
    return [
      { say: `pin ${end} carries ${names.join(' and ')}`, fix: 'One circuit a pin: give the others their own, or make them one circuit.' },
    ];
  });
}

function findOutsiders(harness: Harness): HarnessFinding[] {
  return harness.circuits.flatMap(({ name, anyPinOf }) => {
    if (anyPinOf === undefined) return [];
    const group = harness.pinGroups.get(anyPinOf);
    if (!group) return [];
    const touches = wiresOfCircuit(harness, name).some(({ from, to }) => group.includes(from) || group.includes(to));
    if (touches) return [];
    return [{ say: `circuit ${name} touches no pin of ${anyPinOf}`, fix: `Its wire belongs on one of ${group.join(', ')}.` }];
  });
}

function toGaugeText(gauge: unknown): string {
  if (gauge === undefined || gauge === null) return '';
  return typeof gauge === 'number' ? `AWG ${gauge}` : String(gauge);
}

/** Groups of keys are Maps in the vehicle. */
function toPlain(value: unknown): unknown {
  if (value instanceof Map) return Object.fromEntries([...value].map(([key, inner]) => [String(key), toPlain(inner)]));
  return Array.isArray(value) ? value.map(toPlain) : value;
}

function withoutUndefined<T extends object>(value: T): { [K in keyof T]: Exclude<T[K], undefined> } {
  return Object.fromEntries(Object.entries(value).filter(([, one]) => one !== undefined)) as never;
}
