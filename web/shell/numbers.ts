// How numbers are written: digits by unit, a true minus, and the short names of units.
import type { ChannelView } from '../../server/contract/vehicle-view.ts';
import { ownNames } from './channel-names.ts';
import { remembered } from './remembered.ts';

/** The sign before decimals: as the browser's language has it, or as chosen. */
export type DecimalChoice = 'system' | 'point' | 'comma';
export const decimalChoice = remembered<DecimalChoice>('decimal', ['system', 'point', 'comma'], 'system');
const systemDecimal = new Intl.NumberFormat().formatToParts(0.5).find(({ type }) => type === 'decimal')?.value === ',' ? ',' : '.';

function decimalSign(): string {
  if (decimalChoice.value === 'system') return systemDecimal;
  return decimalChoice.value === 'comma' ? ',' : '.';
}

/** Digits behind the point that mean something on a moving engine; a unit that is not listed gets them from the signal's step. */
const digitsByUnit: ReadonlyMap<string, number> = new Map([
  ['degC', 0],
  ['degF', 0],
  ['K', 0],
  ['K/s', 0],
  ['degF/s', 0],
  ['L/h', 1],
  ['mph', 0],
  ['lbft', 0],
  ['hp', 0],
  ['rpm', 0],
  ['kPa', 0],
  ['mbar', 0],
  ['bar', 2],
  ['psi', 1],
  ['%', 0],
  ['V', 1],
  ['ms', 2],
  ['s', 1],
  ['deg', 1],
  ['lambda', 2],
  ['afr', 1],
  ['cc/min', 0],
  ['count', 0],
  ['km/h', 0],
  ['Nm', 0],
  ['kW', 0],
]);

const unitWords: ReadonlyMap<string, string> = new Map([
  ['degC', '°C'],
  ['degF', '°F'],
  ['degF/s', '°F/s'],
  ['deg', '°'],
  ['ohm', 'Ω'],
  ['us', 'µs'],
  ['uV', 'µV'],
  ['lambda', 'λ'],
  ['count', ''],
]);

const digitsMax = 3;

/**
 * Digits behind the point for a unit; one that says nothing (or none) gets as many as the signal's step needs, two when that isn't known.
 * @param step Smallest change of the value, its factor.
 */
export function digitsOf(unit: string, step?: number): number {
  const usual = digitsByUnit.get(unit);
  if (usual !== undefined) return usual;
  if (step === undefined || step === 0) return 2;
  return Math.min(digitsMax, Math.max(0, Math.ceil(-Math.log10(Math.abs(step)) - 1e-9)));
}

export function toUnitWord(unit: string): string {
  return unitWords.get(unit) ?? unit;
}

/** `toNumberText(-3.14159, 2)` is `−3.14`, or `−3,14`, with a minus as wide as a plus; −0 is written 0. */
export function toNumberText(value: number, digits: number): string {
  const plain = value.toFixed(digits);
  const text = decimalSign() === ',' ? plain.replace('.', ',') : plain;
  if (!text.startsWith('-')) return text;
  return Number(plain) === 0 ? text.slice(1) : `−${text.slice(1)}`;
}

/** With its sign, for differences: `+12`, `−3`, `0`. */
export function toSignedText(value: number, digits: number): string {
  const text = toNumberText(value, digits);
  return Number(value.toFixed(digits)) > 0 ? `+${text}` : text;
}

/** A channel's value in words: the state's name where the vehicle names it, else the number. */
export function toValueText(channel: ChannelView | undefined, value: number, digits: number): string {
  const state = channel?.states && Number.isInteger(value) ? channel.states[String(value)] : undefined;
  return state ?? toNumberText(value, digits);
}

/** The name that this browser gives a channel, else `exhaust_temp_1` → `exhaust temp 1`. */
export function toWords(channel: string): string {
  return ownNames.value.get(channel) ?? channel.replaceAll('_', ' ');
}

/** `75` → `1:15`, `3700` → `1:01:40`. */
export function toClockText(seconds: number): string {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (n: number) => String(n).padStart(2, '0');
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  return h > 0 ? `${h}:${two(m)}:${two(s)}` : `${m}:${two(s)}`;
}

export function toBytesText(bytes: number): string {
  if (bytes < 1e3) return `${bytes} B`;
  if (bytes < 1e6) return `${(bytes / 1e3).toFixed(0)} kB`;
  if (bytes < 1e9) return `${(bytes / 1e6).toFixed(1)} MB`;
  return `${(bytes / 1e9).toFixed(2)} GB`;
}

/** `12345` → `12 345`, with narrow spaces. */
export function toCountText(count: number): string {
  return String(count).replace(/\B(?=(\d{3})+$)/g, ' ');
}
