// The list of a vehicle's channels: signals first, then what is built in, then the user's own derived channels.
import type { Frame, Reference, Signal, Vehicle } from '../definitions/vehicle.ts';
import { type BuiltIn, listBuiltIns, type NotMade } from './built-in.ts';
import { formulaChannels } from './formula.ts';
import type { FormulaScope } from './formula-problem.ts';

export { type NotMade, reservedNames } from './built-in.ts';

export type ChannelKind = 'signal' | 'built-in' | 'derived';

export interface Channel {
  index: number;
  name: string;
  kind: ChannelKind;
  unit: string;
  reference?: Reference;
  min?: number;
  max?: number;
  /** Index of the bus it comes from; for derived channels the bus of all its inputs, undefined when they come from several or none. */
  bus?: number;
  /** With kind `signal`. */
  frame?: Frame;
  signal?: Signal;
  /** With kinds `built-in` and `derived`: text in our formula language, or for built-ins that no formula says, a sentence. */
  formula?: string;
  /** Indices of the channels that it is computed from. */
  inputs: number[];
}

/** All channels: signals in order of buses, frames, signals; then those that are built in; then the user's own. */
export function listChannels(vehicle: Vehicle): Channel[] {
  return describeChannels(vehicle, listBuiltIns(vehicle).made);
}

/** The built-in channels that aren't made, each with the line of the vehicle file that would let it be. */
export function whyNot(vehicle: Vehicle): NotMade[] {
  return listBuiltIns(vehicle).notMade;
}

/** Names and units that a formula of this vehicle may use. */
export function formulaScope(vehicle: Vehicle): FormulaScope {
  const channels = new Map<string, string>();
  for (const bus of vehicle.buses) for (const frame of bus.frames) for (const { name, unit } of frame.signals) channels.set(name, unit);
  for (const { name, unit } of listBuiltIns(vehicle).made) channels.set(name, unit);
  for (const { name, unit } of vehicle.derived) channels.set(name, unit);
  return { channels, tables: vehicle.tables };
}

/** The list, from built-in channels that are at hand. */
export function describeChannels(vehicle: Vehicle, builtIns: readonly BuiltIn[]): Channel[] {
  const channels: Channel[] = signalChannels(vehicle);
  for (const { name, unit, formula, bus } of builtIns) {
    const index = channels.length;
    channels.push({ index, name, kind: 'built-in', unit, formula, inputs: [], ...(bus ? { bus: bus.index } : {}) });
  }
  for (const { name, unit, formula, min, max } of vehicle.derived) {
    const range = { ...(min === undefined ? {} : { min }), ...(max === undefined ? {} : { max }) };
    channels.push({ index: channels.length, name, kind: 'derived', unit, formula, inputs: [], ...range });
  }
  const indexOf = new Map(channels.map(({ name, index }) => [name, index]));
  const builtInInputs = new Map(builtIns.map(({ name, inputs }) => [name, inputs]));
  for (const channel of channels) {
    if (channel.kind === 'signal') continue;
    const names = builtInInputs.get(channel.name) ?? formulaChannels(channel.formula ?? '');
    channel.inputs = [...new Set(names)].map((name) => indexOf.get(name)).filter((index) => index !== undefined);
  }
  for (const channel of channels) setBus(channel, channels);
  return channels;
}

function signalChannels(vehicle: Vehicle): Channel[] {
  const channels: Channel[] = [];
  for (const bus of vehicle.buses) {
    for (const frame of bus.frames) {
      for (const signal of frame.signals) {
        const { name, unit, reference, min, max } = signal;
        channels.push({
          index: channels.length,
          name,
          kind: 'signal',
          unit,
          bus: bus.index,
          frame,
          signal,
          inputs: [],
          ...(reference === undefined ? {} : { reference }),
          ...(min === undefined ? {} : { min }),
          ...(max === undefined ? {} : { max }),
        });
      }
    }
  }
  return channels;
}

/** The one bus that all inputs come from, followed down to signals. */
function setBus(channel: Channel, channels: readonly Channel[]): void {
  if (channel.bus !== undefined || channel.inputs.length === 0) return;
  const buses = new Set<number | undefined>();
  const seen = new Set<number>();
  const visit = (index: number): void => {
    if (seen.has(index)) return;
    seen.add(index);
    const input = channels[index] as Channel;
    if (input.kind === 'signal' || input.inputs.length === 0) buses.add(input.bus);
    else for (const below of input.inputs) visit(below);
  };
  for (const index of channel.inputs) visit(index);
  const [only] = buses;
  if (buses.size === 1 && only !== undefined) channel.bus = only;
}
