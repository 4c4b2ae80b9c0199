// The list of a vehicle's channels: signals first, then what is built in, then the user's own derived channels.
import type { Frame, Reference, Signal } from '../definitions/vehicle.ts';

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
