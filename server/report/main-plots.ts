// Which channels a report draws: those that tell how an engine ran, or the first analogue ones where the vehicle names no engine. Pure.
import { findUnit, toUnit } from '../channels/unit.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

export interface PlotChoice {
  title: string;
  unit: string;
  channels: string[];
  limits: { y: number; label: string }[];
}

const analogueMax = 4;
const plotChannelsMax = 16;

/** @param known Unit of every channel that has samples, in the order of the recording. */
export function chooseMainPlots(vehicle: Vehicle, known: ReadonlyMap<string, string>): PlotChoice[] {
  const wanted = engineChannels(vehicle);
  const plots = wanted.flatMap(({ title, channels, limit }) => toPlots(title, channels, limit, known));
  return plots.length > 0 ? plots : firstAnalogue(vehicle, known);
}

interface Wanted {
  title: string;
  channels: (string | undefined)[];
  limit?: { value: number; unit: string } | undefined;
}

function engineChannels({ engine, injectorSets, limits }: Vehicle): Wanted[] {
  const roles = engine?.roles;
  const ofSets = (what: string) => injectorSets.map(({ name }) => `${what}_${toNamePart(name)}`);
  const limit = (value: number | undefined, unit: string) => (value === undefined ? undefined : { value, unit });
  return [
    { title: 'Engine speed', channels: [roles?.speed] },
    { title: 'Throttle', channels: [roles?.throttle] },
    {
      title: 'Exhaust temperature',
      channels: (engine?.exhaustTemps ?? []).map(({ channel }) => channel),
      limit: limit(limits.exhaustTempC, 'degC'),
    },
    { title: 'Exhaust spread', channels: ['exhaust_spread'], limit: limit(limits.exhaustSpreadK, 'K') },
    { title: 'Fuel pressure delta', channels: ofSets('fuel_delta') },
    { title: 'Injector duty', channels: ofSets('duty'), limit: limit(limits.dutyPercent, '%') },
    { title: 'Lambda', channels: [...(engine?.lambda.values() ?? [])] },
    { title: 'Oil pressure', channels: [roles?.oilPressure] },
    { title: 'Oil and coolant', channels: [roles?.oilTemp, roles?.coolantTemp] },
    { title: 'Manifold pressure', channels: [roles?.manifoldPressure] },
    { title: 'Battery', channels: [roles?.battery] },
  ];
}

/** A plot for each unit that the channels have: two units never share an axis. */
function toPlots(
  title: string,
  channels: (string | undefined)[],
  limit: Wanted['limit'],
  known: ReadonlyMap<string, string>,
): PlotChoice[] {
  const byUnit = new Map<string, string[]>();
  for (const channel of new Set(channels)) {
    const unit = channel === undefined ? undefined : known.get(channel);
    if (channel === undefined || unit === undefined) continue;
    byUnit.set(unit, [...(byUnit.get(unit) ?? []), channel]);
  }
  return [...byUnit].map(([unit, names]) => ({
    title,
    unit,
    channels: names.slice(0, plotChannelsMax),
    limits: limitIn(unit, limit),
  }));
}

function limitIn(unit: string, limit: Wanted['limit']): PlotChoice['limits'] {
  if (!limit || findUnit(unit)?.dimension !== findUnit(limit.unit)?.dimension) return [];
  return [{ y: toUnit(limit.value, limit.unit, unit), label: 'limit' }];
}

/** Signals with a unit come first; counters and states say little as a line. */
function firstAnalogue(vehicle: Vehicle, known: ReadonlyMap<string, string>): PlotChoice[] {
  const frames = vehicle.buses.flatMap((bus) => bus.frames);
  const counters = new Set(frames.map(({ counter }) => counter));
  const signals = frames
    .flatMap((frame) => frame.signals)
    .filter(({ name, states }) => known.has(name) && states.size === 0 && !counters.has(name));
  const chosen = [...signals.filter(({ unit }) => unit !== ''), ...signals.filter(({ unit }) => unit === '')].slice(0, analogueMax);
  return chosen.map(({ name, unit }) => ({ title: name, unit, channels: [name], limits: [] }));
}
