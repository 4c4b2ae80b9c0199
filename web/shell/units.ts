// Units as this browser shows them: channels keep their declared unit everywhere, and only what is written on the screen is converted.
import type { Signal } from '@preact/signals';
import { digitsOf, toNumberText, toSignedText, toUnitWord } from './numbers.ts';
import { remembered } from './remembered.ts';

/** What there is a choice of, with the units of each: `declared` leaves values as their channel has them. */
const choices = {
  temperature: ['declared', 'degC', 'degF'],
  pressure: ['declared', 'kPa', 'bar', 'psi'],
  speed: ['declared', 'km/h', 'mph'],
  flow: ['declared', 'cc/min', 'L/h'],
  torque: ['declared', 'Nm', 'lbft'],
  power: ['declared', 'kW', 'hp'],
} as const;

export type Dimension = keyof typeof choices;
export const dimensions = Object.keys(choices) as Dimension[];

export const unitChoices = Object.fromEntries(
  dimensions.map((dimension) => [dimension, remembered<string>(`unit.${dimension}`, choices[dimension], 'declared')]),
) as Record<Dimension, Signal<string>>;

export function choicesOf(dimension: Dimension): readonly string[] {
  return choices[dimension];
}

/** Unit → what one of it is in the first unit of its dimension here, and its zero. Sources: as in docs/units.md. */
const scales: Record<Dimension, Record<string, readonly [scale: number, zero: number]>> = {
  temperature: { degC: [1, 0], degF: [5 / 9, -160 / 9], K: [1, -273.15] },
  pressure: { kPa: [1, 0], Pa: [0.001, 0], mbar: [0.1, 0], bar: [100, 0], psi: [6.894757293168361, 0] },
  speed: { 'km/h': [1, 0], mph: [1.609344, 0], 'm/s': [3.6, 0] },
  flow: { 'cc/min': [1, 0], 'L/h': [1000 / 60, 0] },
  torque: { Nm: [1, 0], lbft: [1.3558179483314003, 0] },
  power: { kW: [1, 0], W: [0.001, 0], hp: [0.7456998715822702, 0] },
};

/** How a value of one unit is written: shown = value × factor + offset, in `unit`. */
export interface Shown {
  unit: string;
  factor: number;
  offset: number;
}

const known = new Map<string, Shown>();

/**
 * How values of a unit are shown in this browser. Reading it in a component or an effect follows the choice.
 * @param difference The value is a difference of temperatures: K and K/s then become degrees of the scale that was chosen. A channel
 *   declared in K may be either, and stays as it is.
 */
export function shownUnit(unit: string, difference = false): Shown {
  const wanted = difference && (unit === 'K' || unit === 'K/s') ? shownDifference(unit) : wantedUnit(unit);
  const key = `${unit} ${wanted} ${difference}`;
  let shown = known.get(key);
  if (!shown) {
    shown = toShown(unit, wanted, difference);
    known.set(key, shown);
  }
  return shown;
}

/** Built-in channels in K or K/s are differences and their rates; a temperature that is built in, as the gas's, is none. */
export function isDifference(channel: { kind: string; unit: string } | undefined): boolean {
  return channel?.kind === 'built-in' && (channel.unit === 'K' || channel.unit === 'K/s');
}

function shownDifference(unit: string): string {
  if (unitChoices.temperature.value !== 'degF') return unit;
  return unit === 'K' ? 'degF' : 'degF/s';
}

function wantedUnit(unit: string): string {
  if (unit === 'K') return unit;
  const dimension = dimensions.find((one) => scales[one][unit] !== undefined);
  const chosen = dimension === undefined ? 'declared' : unitChoices[dimension].value;
  return chosen === 'declared' ? unit : chosen;
}

function toShown(unit: string, wanted: string, difference: boolean): Shown {
  if (unit === wanted) return { unit, factor: 1, offset: 0 };
  if (difference && (unit === 'K' || unit === 'K/s')) return { unit: wanted, factor: 1.8, offset: 0 };
  const scale = Object.values(scales).find((one) => one[unit] !== undefined && one[wanted] !== undefined);
  const [from, to] = [scale?.[unit] ?? [1, 0], scale?.[wanted] ?? [1, 0]] as const;
  return { unit: wanted, factor: from[0] / to[0], offset: difference ? 0 : (from[1] - to[1]) / to[0] };
}

interface Writing {
  /** Digits behind the point; those of the unit shown when left out. */
  digits?: number;
  difference?: boolean;
  /** With its sign. */
  signed?: boolean;
}

/** The number alone, for a table whose head has the unit (`toShownWord`). */
export function toShownNumber(value: number, unit: string, { digits, difference, signed }: Writing = {}): string {
  const shown = shownUnit(unit, difference);
  return (signed ? toSignedText : toNumberText)(value * shown.factor + shown.offset, digits ?? digitsOf(shown.unit));
}

/** What somebody typed in the unit shown, as a value of `unit`. */
export function toDeclaredValue(shownValue: number, unit: string, difference = false): number {
  const shown = shownUnit(unit, difference);
  return shown.unit === unit ? shownValue : (shownValue - shown.offset) / shown.factor;
}

/** The unit in which values of `unit` are shown, as it is written: `°F`. */
export function toShownWord(unit: string, difference = false): string {
  return toUnitWord(shownUnit(unit, difference).unit);
}

/** A difference of temperatures with its unit, in whole degrees unless `digits` says otherwise. */
export function toKelvinText(value: number, writing: Omit<Writing, 'difference'> = {}): string {
  return toQuantityText(value, 'K', { digits: 0, ...writing, difference: true });
}

/** `toQuantityText(780, 'degC')` is `780 °C`, or `1436 °F` where that was chosen. */
export function toQuantityText(value: number, unit: string, writing: Writing = {}): string {
  const text = toShownNumber(value, unit, writing);
  const word = toShownWord(unit, writing.difference);
  return word === '' ? text : `${text} ${word}`;
}
