// Units in the spellings that device manuals have, and numbers that carry one.
import { findUnit, toUnitOfDifference, units } from '../channels/unit.ts';
import { parseMeasured } from './table-cells.ts';
import { plainLetters } from './table-text.ts';

const otherUnits: Readonly<Record<string, string>> = {
  c: 'degC',
  celsius: 'degC',
  degreec: 'degC',
  degreesc: 'degC',
  degreescelsius: 'degC',
  degcelsius: 'degC',
  f: 'degF',
  fahrenheit: 'degF',
  degreesf: 'degF',
  kelvin: 'K',
  percent: '%',
  pct: '%',
  '1/min': 'rpm',
  'u/min': 'rpm',
  'tr/min': 'rpm',
  'giri/min': 'rpm',
  'omw/min': 'rpm',
  'varv/min': 'rpm',
  'obr/min': 'rpm',
  'r/min': 'rpm',
  'min-1': 'rpm',
  revmin: 'rpm',
  'rev/min': 'rpm',
  volt: 'V',
  volts: 'V',
  millivolts: 'mV',
  amp: 'A',
  amps: 'A',
  ampere: 'A',
  sec: 's',
  seconds: 's',
  second: 's',
  msec: 'ms',
  milliseconds: 'ms',
  usec: 'us',
  microseconds: 'us',
  degrees: 'deg',
  degree: 'deg',
  '°': 'deg',
  degbtdc: 'deg',
  kph: 'km/h',
  kmh: 'km/h',
  millibar: 'mbar',
  hpa: 'mbar',
  ohms: 'ohm',
  Ω: 'ohm',
  λ: 'lambda',
  'lb-ft': 'lbft',
  'ft-lb': 'lbft',
  n·m: 'Nm',
  'n*m': 'Nm',
  'l/hr': 'L/h',
  'kg/hr': 'kg/h',
  'lb/hr': 'lb/h',
  'cc/m': 'cc/min',
  'ml/min': 'cc/min',
  litres: 'L',
  liters: 'L',
  hertz: 'Hz',
};

const plainUnits = new Set(['', '-', '–', 'n/a', 'none', 'raw', 'bool', 'boolean', 'flag', 'enum', 'state', 'bit', 'na', '1']);

/** A unit of `channels/unit.ts` by other spellings, '' for none; undefined when it is none that is known. */
export function parseUnit(cell: string): string | undefined {
  const text = cell
    .trim()
    .replace(/^\[(.*)\]$/, '$1')
    .replace(/^µ|^μ/, 'u')
    // The ordinal sign looks the same, and stands on more keyboards.
    .replace('º', '°');
  if (findUnit(text)) return text;
  const lower = plainLetters(text).toLowerCase().replace(/\s+/g, '');
  if (plainUnits.has(lower)) return '';
  const degrees = lower.replace('°', 'deg').replace(/^degrees?/, 'deg');
  const byCase = [...units.keys()].find((name) => name.toLowerCase() === lower || name.toLowerCase() === degrees);
  return byCase ?? otherUnits[lower] ?? otherUnits[degrees];
}

/** `psig`, `kPa abs`, `bar (g)`: a unit of pressure with what it counts from; undefined for anything else. */
export function parsePressure(cell: string): { unit: string; reference: 'gauge' | 'absolute' } | undefined {
  const match = /^\s*(.*?[a-z])\s*[[(]?\s*(abs(?:olute)?|a|gauge|gage|g|rel(?:ative)?)\.?\s*[\])]?\s*$/i.exec(cell);
  const unit = match ? parseUnit(match[1] as string) : undefined;
  if (!match || unit === undefined || findUnit(unit)?.dimension !== 'pressure' || findUnit(cell.trim())) return undefined;
  return { unit, reference: /^a/i.test(match[2] as string) ? 'absolute' : 'gauge' };
}

/** A number of one column in the unit that another names. */
export interface Scaled {
  value: number;
  /** Of the number itself; '' where it says none that is known. */
  unit: string;
}

/** `100 mV/bit`, `-40 °C`: undefined when there is no number. */
export function parseScaled(cell: string): Scaled | undefined {
  const read = parseMeasured(cell);
  return read && { value: read.value, unit: (read.unit === '' ? '' : parseUnit(read.unit)) ?? '' };
}

/**
 * A factor or an offset in the signal's unit: 100 mV a step is 0.1 V.
 *
 * @returns undefined when the two measure different things, and for an offset in another unit of temperature, whose zero is elsewhere.
 */
export function toSignalUnit({ value, unit }: Scaled, signalUnit: string, is: 'factor' | 'offset'): number | undefined {
  if (unit === '' || signalUnit === '' || unit === signalUnit) return value;
  const [from, to] = [findUnit(unit)?.dimension, findUnit(signalUnit)?.dimension];
  if (from !== to || (from === 'temperature' && is === 'offset')) return undefined;
  return Number(toUnitOfDifference(value, unit, signalUnit).toPrecision(15));
}

/**
 * Factor and offset in one cell, as tables of J1939 write them: `1 °C/bit, -40 °C offset`. Undefined for any other cell.
 */
export function parseFactorAndOffset(cell: string): { factor: Scaled; offset: Scaled } | undefined {
  const match = /^(.+?)\s*[,;]\s*(.+?)\s*offset$/i.exec(cell.trim()) ?? /^(.+?)\s*[,;]\s*offset\s*[:=]?\s*(.+)$/i.exec(cell.trim());
  const [factor, offset] = [match?.[1], match?.[2]].map((part) => (part === undefined ? undefined : parseScaled(part)));
  return factor && offset ? { factor, offset } : undefined;
}

/** The unit at the end of a formula: `x - 40 °C`; '' where none is known. */
export function unitBehind(formula: string): string {
  const tail = /[\s\d)]([^\s\d()*+-][^\d()*+-]*)$/.exec(formula.trim())?.[1] ?? '';
  return parseUnit(tail) ?? '';
}
