// What differs between two readings of one session: channels, values, alarms.
import type { AlarmEvent } from '../alarms/alarm-event.ts';
import { hasValue } from '../channels/quality.ts';
import type { Column } from './chunk.ts';
import type { ReadingFile } from './reading-file.ts';

export interface ChannelDifference {
  channel: string;
  unit: string;
  /** Samples in the old reading and in the new one, and how many of the new ones differ from the old one of the same time. */
  oldSamples: number;
  newSamples: number;
  different: number;
  /** The greatest difference of two numbers, in the unit; null where no number stands against a number. */
  most: { by: number; atUs: number; old: number; new: number } | null;
}

export interface ReadingsCompared {
  /** Every sample and every alarm alike, to the last bit. */
  identical: boolean;
  samples: number;
  channels: ChannelDifference[];
  onlyOld: string[];
  onlyNew: string[];
  /** Alarms that were raised in one reading alone. */
  alarmsOnlyOld: AlarmEvent[];
  alarmsOnlyNew: AlarmEvent[];
}

export function compareReadings(old: ReadingFile, now: ReadingFile): ReadingsCompared {
  const key = ({ name, unit }: { name: string; unit: string }): string => `${name}${unit === '' ? '' : ` (${unit})`}`;
  const oldKeys = new Map(old.channels.map((channel) => [key(channel), channel.id]));
  const compared: ReadingsCompared = {
    identical: false,
    samples: 0,
    channels: [],
    onlyOld: [...oldKeys.keys()].filter((name) => !now.channels.some((channel) => key(channel) === name)),
    onlyNew: [],
    alarmsOnlyOld: [],
    alarmsOnlyNew: [],
  };
  for (const channel of now.channels) {
    const oldId = oldKeys.get(key(channel));
    if (oldId === undefined) compared.onlyNew.push(key(channel));
    else {
      const difference = compareChannel(old.samples(oldId), now.samples(channel.id), channel);
      compared.samples += difference.newSamples;
      if (difference.different > 0 || difference.oldSamples !== difference.newSamples) compared.channels.push(difference);
    }
  }
  const [oldAlarms, newAlarms] = [old.alarms(), now.alarms()];
  compared.alarmsOnlyOld = without(oldAlarms, newAlarms);
  compared.alarmsOnlyNew = without(newAlarms, oldAlarms);
  const isSame = JSON.stringify(oldAlarms) === JSON.stringify(newAlarms);
  compared.identical = isSame && [compared.channels, compared.onlyOld, compared.onlyNew].every((list) => list.length === 0);
  return compared;
}

/** Raised in `these` and not in `those`, by alarm and instant. */
function without(these: AlarmEvent[], those: AlarmEvent[]): AlarmEvent[] {
  const known = new Set(those.filter(({ event }) => event === 'raised').map(({ alarm, timeUs }) => `${timeUs} ${alarm}`));
  return these.filter(({ event, alarm, timeUs }) => event === 'raised' && !known.has(`${timeUs} ${alarm}`));
}

interface Sample {
  timeUs: number;
  value: number;
  quality: number;
}

function* each(columns: Iterable<Column>): Generator<Sample> {
  for (const { timeUs, value, quality } of columns) {
    for (let i = 0; i < timeUs.length; i++) {
      yield { timeUs: timeUs[i] as number, value: value[i] as number, quality: quality[i] as number };
    }
  }
}

/** Walks both readings of a channel side by side, sample against sample of the same time. */
function compareChannel(old: Iterable<Column>, now: Iterable<Column>, { name, unit }: { name: string; unit: string }): ChannelDifference {
  const found: ChannelDifference = { channel: name, unit, oldSamples: 0, newSamples: 0, different: 0, most: null };
  const [oldSamples, newSamples] = [each(old), each(now)];
  let a = oldSamples.next();
  let b = newSamples.next();
  while (!a.done || !b.done) {
    const oldTime = a.done ? Number.POSITIVE_INFINITY : a.value.timeUs;
    const newTime = b.done ? Number.POSITIVE_INFINITY : b.value.timeUs;
    if (!a.done && oldTime <= newTime) found.oldSamples++;
    if (!b.done && newTime <= oldTime) found.newSamples++;
    if (!a.done && !b.done && oldTime === newTime) note(found, a.value, b.value);
    else if (newTime < oldTime) found.different++;
    if (oldTime <= newTime) a = oldSamples.next();
    if (newTime <= oldTime) b = newSamples.next();
  }
  return found;
}

function note(found: ChannelDifference, old: Sample, now: Sample): void {
  if (old.quality === now.quality && Object.is(old.value, now.value)) return;
  found.different++;
  if (!hasValue(old.quality) || !hasValue(now.quality)) return;
  const by = Math.abs(now.value - old.value);
  if (!found.most || by > found.most.by) found.most = { by, atUs: now.timeUs, old: old.value, new: now.value };
}
