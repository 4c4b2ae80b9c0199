// The list of a vehicle's channels: signals first, then what is built in, then the user's own derived channels.
import type { Frame, Reference, Signal, Vehicle } from '../definitions/vehicle.ts';

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

/** A channel that the vehicle file does not make possible, and the line that would. */
export interface NotMade {
  channel: string;
  /** What to add, and where: `engine: battery: CHANNEL`. */
  line: string;
}

/** Names of built-in channels that this vehicle could have: a user's channel may not take them. */
export function reservedNames(_vehicle: Pick<Vehicle, 'buses' | 'engine' | 'injectorSets'>): ReadonlySet<string> {
  throw new Error('not built yet');
}

/** All channels: signals in order of buses, frames, signals; then those that are built in; then the user's own. */
export function listChannels(_vehicle: Vehicle): Channel[] {
  throw new Error('not built yet');
}

/** The built-in channels that aren't made, each with the line of the vehicle file that would let it be. */
export function whyNot(_vehicle: Vehicle): NotMade[] {
  throw new Error('not built yet');
}
