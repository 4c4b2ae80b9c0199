// Channels of a stored reading: what is kept of each beside its samples.
import type { Channel } from '../channels/channel-list.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { Connection } from './database.ts';
import type { Scale } from './values.ts';

/** What is known of a channel of a reading beside its name and unit: JSON in the session file. */
export interface ChannelAbout {
  kind: Channel['kind'];
  reference?: Channel['reference'];
  min?: number;
  max?: number;
  bus?: string;
  frame?: string;
  formula?: string;
  states?: [raw: string, name: string][];
  scale?: Scale;
}

/** A channel of a reading: ids count from 0 in the order in which channels had their first sample. */
export interface ReadingChannel {
  id: number;
  name: string;
  unit: string;
  about: ChannelAbout;
}

/** The channels of a reading so far, by id. */
export function knownChannels(db: Connection, reading: number): ReadingChannel[] {
  const rows = db.prepare('SELECT id, name, unit, about FROM channel WHERE reading = ? ORDER BY id').all(reading);
  return (rows as { id: number; name: string; unit: string; about: string }[]).map((row) => ({
    ...row,
    about: JSON.parse(row.about) as ChannelAbout,
  }));
}

/** What to keep of a channel as the pipeline has it. */
export function aboutChannel(channel: Channel, vehicle: Vehicle | undefined): ChannelAbout {
  const { kind, reference, min, max, bus, frame, formula, signal } = channel;
  const about: ChannelAbout = { kind };
  if (reference !== undefined) about.reference = reference;
  if (min !== undefined) about.min = min;
  if (max !== undefined) about.max = max;
  const busName = bus === undefined ? undefined : vehicle?.buses[bus]?.name;
  if (busName !== undefined) about.bus = busName;
  if (frame) about.frame = frame.name;
  if (formula !== undefined) about.formula = formula;
  if (signal && signal.states.size > 0) about.states = [...signal.states].map(([raw, name]) => [raw.toString(), name]);
  if (signal && signal.sign !== 'float') about.scale = { factor: signal.factor, offset: signal.offset };
  return about;
}
