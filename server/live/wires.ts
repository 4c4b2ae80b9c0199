// From a device's pins along the harness: which connectors, pins and wires carry a channel, as far as harness.yaml says.
import type { WhyNode } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

type Wires = NonNullable<WhyNode['wires']>;

/** One wire as the file has it. */
interface Wire {
  from: string;
  to: string;
  about: string;
}

/**
 * The wires of the circuits that carry a channel, outward from the device's connectors; each as the pin it begins at, the wire, and
 * the pin it ends at. Empty where the file says nothing of it. Wires that hang on no pin of the device come last.
 */
export function wiresOf(vehicle: Vehicle, channel: string, device: string): Wires {
  const circuits = circuitsOf(vehicle.harness, channel);
  const left = listOf(at(vehicle.harness, 'wires'))
    .filter((wire) => circuits.has(textOf(at(wire, 'circuit'))))
    .map(toWire);
  const titles = new Map(entriesOf(at(vehicle.harness, 'connectors')).map(([name, one]) => [name, textOf(at(one, 'title')) || name]));
  const isDevice = (pin: string) => textOf(at(at(at(vehicle.harness, 'connectors'), connectorOf(pin)), 'device')) === device;
  const found: Wires = [];
  let reached = new Set(left.flatMap(({ from, to }) => [from, to]).filter(isDevice));
  while (left.length > 0) {
    const next = left.filter(({ from, to }) => reached.has(from) || reached.has(to));
    for (const wire of next.length > 0 ? next : left.slice()) {
      left.splice(left.indexOf(wire), 1);
      const outward = !reached.has(wire.to) || reached.has(wire.from);
      const [from, to] = outward ? [wire.from, wire.to] : [wire.to, wire.from];
      found.push({ connector: titles.get(connectorOf(from)) ?? connectorOf(from), pin: pinOf(from), wire: wire.about, to });
      reached = new Set([...reached, from, to]);
    }
  }
  return found;
}

function circuitsOf(harness: unknown, channel: string): Set<string> {
  const named = entriesOf(at(harness, 'circuits')).filter(([, circuit]) => textOf(at(circuit, 'channel')) === channel);
  return new Set(named.map(([name]) => name));
}

function toWire(wire: unknown): Wire {
  const gauge = textOf(at(wire, 'gauge'));
  const fuse = textOf(at(wire, 'fuse'));
  const parts = [
    textOf(at(wire, 'colour')),
    textOf(at(wire, 'alloy')),
    /^\d+$/.test(gauge) ? `AWG ${gauge}` : gauge,
    textOf(at(wire, 'length')),
    fuse && `fuse ${fuse}`,
  ];
  return { from: textOf(at(wire, 'from')), to: textOf(at(wire, 'to')), about: parts.filter((part) => part !== '').join(', ') };
}

const connectorOf = (pin: string) => pin.split('.')[0] ?? '';
const pinOf = (pin: string) => pin.split('.')[1] ?? '';

/** The file as data: maps are Maps, and what isn't there is undefined. */
function at(value: unknown, key: string): unknown {
  return value instanceof Map ? value.get(key) : undefined;
}

function entriesOf(value: unknown): [string, unknown][] {
  return value instanceof Map ? [...value].map(([key, one]) => [String(key), one]) : [];
}

function listOf(value: unknown): unknown[] {
  return Array.isArray(value) ? value : [];
}

function textOf(value: unknown): string {
  return value === undefined || value === null ? '' : String(value);
}
