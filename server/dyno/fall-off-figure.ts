// Why fuel pressure delta is said to fall, or not: how the fall, and the rail over its reference, are made of the sweeps of a session. Pure.
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { commonPractice, type Figure, said, saidStretch } from './figure.ts';
import type { FallOff } from './fuel-fall-off.ts';
import type { Pull } from './pulls.ts';

export interface FallOffBehind {
  session: number;
  startUs: number;
  vehicle: Vehicle;
  fallOff: readonly FallOff[];
  pulls: readonly Pull[];
}

const wordsOf: Readonly<Record<keyof FallOff['goesWith'], string>> = {
  reference: 'its reference pressure',
  flow: 'the flow demanded',
  supply: 'supply voltage',
  fuelTemperature: 'fuel temperature',
};

/** @param key `SET fall` or `SET slope`. Undefined: nothing is said of such a set. */
export function explainFallOff(
  { session, startUs, vehicle, fallOff, pulls }: FallOffBehind,
  [name = '', what = '']: readonly string[],
): Figure | undefined {
  const found = fallOff.find(({ set }) => set === name);
  const set = vehicle.injectorSets.find((one) => one.name === name);
  if (!found || !set || (what !== 'fall' && what !== 'slope')) return undefined;
  const sweeps = pulls.filter(({ kind }) => kind === 'sweep');
  const isFall = what === 'fall';
  const usOf = ({ from, to }: Pull) => ({ fromUs: startUs + from * 1e6, toUs: startUs + to * 1e6 });
  const delta = `fuel_delta_${toNamePart(name)}`;
  const behind = isFall ? [delta] : [set.rail, set.discharge];
  const [first] = sweeps;
  return {
    title: isFall ? `Fall of ${delta}` : `Rail of ${name} over its reference`,
    value: isFall ? Number(found.fallKpa.toFixed(1)) : found.railPerReference === null ? null : Number(found.railPerReference.toFixed(3)),
    unit: isFall ? 'kPa' : '',
    isDifference: isFall,
    rule: isFall
      ? 'Fuel pressure delta over the first half second of a sweep, less the lowest half second of it, both medians of values 0.1 s apart; of several sweeps the largest fall.'
      : 'The slope of a straight line of least squares through rail pressure over reference pressure, both in kPa, every 0.1 s of all sweeps: 1 follows, 0 does not, more than 1 is a rising-rate regulator.',
    source: isFall
      ? `${commonPractice}: a fall below 30 kPa is none`
      : `least squares, any handbook of statistics; limits ${commonPractice}`,
    worked: [
      isFall ? `${said(found.fallKpa)} kPa` : `${said(found.railPerReference, 2)} kPa a kPa`,
      ...Object.entries(found.goesWith).flatMap(([key, share]) =>
        share === null ? [] : [`of its movement ${Math.round(100 * share)} % goes with ${wordsOf[key as keyof FallOff['goesWith']]}`],
      ),
    ],
    doubts: [found.say],
    stretches: sweeps.map((pull) => ({ session, ...usOf(pull), what: saidStretch(usOf(pull).fromUs, usOf(pull).toUs, startUs) })),
    channels: behind.flatMap((channel) =>
      channel === undefined || !first
        ? []
        : [{ session, channel, atUs: (usOf(first).fromUs + usOf(first).toUs) / 2, what: 'in the middle of the first sweep' }],
    ),
    figures: [],
  };
}
