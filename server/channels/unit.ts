// Units: what each is a measure of, and how it converts to that dimension's base unit.
import { EvenburnError } from '../errors.ts';

export type Dimension =
  | 'none'
  | 'ratio'
  | 'speed-of-rotation'
  | 'temperature'
  | 'temperature-difference'
  | 'pressure'
  | 'voltage'
  | 'current'
  | 'resistance'
  | 'time'
  | 'angle'
  | 'length'
  | 'speed'
  | 'volume-flow'
  | 'mass-flow'
  | 'volume'
  | 'mass'
  | 'force'
  | 'torque'
  | 'power'
  | 'frequency'
  | 'lambda'
  | 'air-fuel-ratio'
  | 'count'
  | 'bit-rate'
  | 'temperature-rate';

/** base = value × scale + shift. */
export interface Unit {
  name: string;
  dimension: Dimension;
  scale: number;
  shift: number;
}

const rows: [name: string, dimension: Dimension, scale: number, shift?: number][] = [
  ['', 'none', 1],
  ['%', 'ratio', 0.01],
  ['rpm', 'speed-of-rotation', 1],
  ['K', 'temperature', 1],
  ['degC', 'temperature', 1, 273.15],
  ['degF', 'temperature', 5 / 9, 459.67 * (5 / 9)],
  ['Pa', 'pressure', 0.001],
  ['kPa', 'pressure', 1],
  ['mbar', 'pressure', 0.1],
  ['bar', 'pressure', 100],
  // 1 psi = 0.45359237 kg × 9.80665 m/s² / (0.0254 m)² (international pound and inch, NIST SP 811 appendix B.8).
  ['psi', 'pressure', 6.894757293168361],
  ['V', 'voltage', 1],
  ['mV', 'voltage', 1e-3],
  ['uV', 'voltage', 1e-6],
  ['A', 'current', 1],
  ['mA', 'current', 1e-3],
  ['ohm', 'resistance', 1],
  ['us', 'time', 1e-6],
  ['ms', 'time', 1e-3],
  ['s', 'time', 1],
  ['min', 'time', 60],
  ['h', 'time', 3600],
  ['deg', 'angle', Math.PI / 180],
  ['rad', 'angle', 1],
  ['mm', 'length', 1e-3],
  ['m', 'length', 1],
  ['km', 'length', 1000],
  ['m/s', 'speed', 1],
  ['km/h', 'speed', 1 / 3.6],
  ['mph', 'speed', 0.44704],
  ['cc/min', 'volume-flow', 1],
  ['L/h', 'volume-flow', 1000 / 60],
  ['kg/h', 'mass-flow', 1 / 3.6],
  ['lb/h', 'mass-flow', 453.59237 / 3600],
  ['g/s', 'mass-flow', 1],
  ['mL', 'volume', 1e-3],
  ['L', 'volume', 1],
  ['gal', 'volume', 3.785411784],
  ['g', 'mass', 1e-3],
  ['kg', 'mass', 1],
  ['N', 'force', 1],
  ['Nm', 'torque', 1],
  ['lbft', 'torque', 1.3558179483314003],
  ['W', 'power', 1],
  ['kW', 'power', 1000],
  ['hp', 'power', 745.6998715822702],
  ['Hz', 'frequency', 1],
  ['kHz', 'frequency', 1000],
  ['lambda', 'lambda', 1],
  ['afr', 'air-fuel-ratio', 1],
  ['count', 'count', 1],
  ['bit/s', 'bit-rate', 1],
  ['kbit/s', 'bit-rate', 1e3],
  ['Mbit/s', 'bit-rate', 1e6],
  ['K/s', 'temperature-rate', 1],
];

/** All units by name; '' is none. */
export const units: ReadonlyMap<string, Unit> = new Map(
  rows.map(([name, dimension, scale, shift = 0]) => [name, { name, dimension, scale, shift }]),
);

export function findUnit(name: string): Unit | undefined {
  return units.get(name);
}

/** @throws EvenburnError UNIT_UNKNOWN */
export function getUnit(name: string): Unit {
  const unit = units.get(name);
  if (!unit) throw new EvenburnError('UNIT_UNKNOWN', { unit: name });
  return unit;
}

/**
 * Converts between two units of one dimension: `toUnit(212, 'degF', 'degC')` is 100.
 * A temperature difference is in K; converting a difference uses `toUnitOfDifference`.
 * @throws EvenburnError UNIT_UNKNOWN, UNIT_DIMENSIONS_DIFFER
 */
export function toUnit(value: number, from: string, to: string): number {
  if (from === to) return value;
  const a = getUnit(from);
  const b = getUnit(to);
  if (a.dimension !== b.dimension) throw new EvenburnError('UNIT_DIMENSIONS_DIFFER', { from, to });
  return (value * a.scale + a.shift - b.shift) / b.scale;
}

/** Converts a difference (no zero point): 9 degF of difference is 5 K. */
export function toUnitOfDifference(value: number, from: string, to: string): number {
  const a = getUnit(from);
  const b = getUnit(to);
  if (a.dimension !== b.dimension) throw new EvenburnError('UNIT_DIMENSIONS_DIFFER', { from, to });
  return (value * a.scale) / b.scale;
}
