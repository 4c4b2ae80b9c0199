// Numbers with units as people write them in definition files: `50 ms`, `0.6..1.2 s`, `900 cc/min at 300 kPa`.
import { type Dimension, findUnit, toUnit, toUnitOfDifference, units } from '../channels/unit.ts';
import { findNearestName } from './nearest-name.ts';
import type { Fault } from './problem.ts';
import type { YamlValue } from './yaml-text.ts';

/** What a key wants. */
export interface QuantityKind {
  /** The unit that the program works in; its dimension is the one wanted. */
  unit: string;
  /** Other dimensions that are taken too, unconverted (a flow by mass needs the fuel's density). */
  also?: Dimension[];
  /** A difference (of temperatures) has no zero point. */
  difference?: boolean;
  min?: number;
  max?: number;
  /** A number alone is taken to be in `unit`. */
  plain?: boolean;
  example: string;
}

const numberPattern = String.raw`[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?`;
const quantityPattern = new RegExp(`^(${numberPattern})\\s*(.*)$`);
const rangePattern = new RegExp(`^(${numberPattern})\\s*\\.\\.\\s*(${numberPattern})\\s*(.*)$`);

export function isFault(value: unknown): value is Fault {
  return typeof value === 'object' && value !== null && 'code' in value && 'say' in value && 'fix' in value;
}

/** Reads `50 ms` as a number in `kind.unit`. */
export function parseQuantity(value: YamlValue, kind: QuantityKind): number | Fault {
  const read = parseMeasure(value, kind);
  return isFault(read) ? read : read.value;
}

/** Reads `50 ms`; a unit of a dimension in `kind.also` is kept, and is then in `unit`. */
export function parseMeasure(value: YamlValue, kind: QuantityKind): { value: number; unit: string } | Fault {
  if (typeof value === 'number') return kind.plain ? checkBounds(value, kind.unit, kind, String(value)) : unitMissing(String(value), kind);
  if (typeof value !== 'string') return unreadable(kind);
  const match = quantityPattern.exec(value.trim());
  if (!match) return unreadable(kind);
  const unitText = (match[2] ?? '').trim();
  if (unitText === '') return kind.plain ? checkBounds(Number(match[1]), kind.unit, kind, value) : unitMissing(value, kind);
  return convert(Number(match[1]), unitText, kind, value);
}

/** Reads `0.6..1.2 s`, or one quantity as both ends. */
export function parseQuantityRange(value: YamlValue, kind: QuantityKind): { low: number; high: number } | Fault {
  const match = typeof value === 'string' ? rangePattern.exec(value.trim()) : null;
  if (!match) {
    const one = parseQuantity(value, kind);
    return isFault(one) ? one : { low: one, high: one };
  }
  const unitText = (match[3] ?? '').trim();
  const low = parseQuantity(`${match[1]} ${unitText}`, kind);
  const high = parseQuantity(`${match[2]} ${unitText}`, kind);
  if (isFault(low)) return inWhole(low, value as string, unitText);
  if (isFault(high)) return inWhole(high, value as string, unitText);
  if (low <= high) return { low, high };
  return { code: 'VALUE_OUT_OF_RANGE', say: `the range '${value}' runs backwards`, fix: 'Write the smaller end first.' };
}

/** Reads `900 cc/min at 300 kPa`. */
export function parseRatedFlow(
  value: YamlValue,
  flow: QuantityKind,
  pressure: QuantityKind,
): { flow: number; unit: string; atKpa: number } | Fault {
  const example = `${flow.example} at ${pressure.example}`;
  const match = typeof value === 'string' ? /^(.*?)\s+at\s+(.*)$/.exec(value.trim()) : null;
  if (!match) {
    const say = 'a rated flow names the pressure across the injector';
    return { code: 'QUANTITY_UNREADABLE', say, fix: `Write it like '${example}'.` };
  }
  const rate = parseMeasure(match[1] as string, flow);
  if (isFault(rate)) return rate;
  const at = parseQuantity(match[2] as string, pressure);
  const behind = (value as string).indexOf(match[2] as string, (match[1] as string).length);
  if (isFault(at))
    return { ...at, part: { offset: behind + (at.part?.offset ?? 0), length: at.part?.length ?? (match[2] as string).length } };
  return { flow: rate.value, unit: rate.unit, atKpa: at };
}

function convert(value: number, unitText: string, kind: QuantityKind, whole: string): { value: number; unit: string } | Fault {
  const part = { offset: whole.lastIndexOf(unitText), length: unitText.length };
  const unit = findUnit(unitText);
  const wanted = findUnit(kind.unit);
  if (!unit) return { ...unknownUnit(unitText, unitsLike(kind)), part };
  if (kind.also?.includes(unit.dimension)) return checkBounds(value, unit.name, kind, whole);
  if (unit.dimension !== wanted?.dimension) {
    const like = unitsLike(kind).join(', ');
    const say = `'${unitText}' measures ${wordsOf(unit.dimension)}, and ${wordsOf(wanted?.dimension ?? 'none')} is wanted`;
    return { code: 'UNIT_WRONG_DIMENSION', say, fix: `Use one of ${like}, like '${kind.example}'.`, part };
  }
  const converted = (kind.difference ? toUnitOfDifference : toUnit)(value, unit.name, kind.unit);
  return checkBounds(converted, kind.unit, kind, whole);
}

function checkBounds(value: number, unit: string, kind: QuantityKind, whole: string): { value: number; unit: string } | Fault {
  const { min = Number.NEGATIVE_INFINITY, max = Number.POSITIVE_INFINITY } = kind;
  if (value >= min && value <= max && Number.isFinite(value)) return { value, unit };
  const bounds = max === Number.POSITIVE_INFINITY ? `at least ${min}` : `${min} to ${max}`;
  return {
    code: 'VALUE_OUT_OF_RANGE',
    say: `'${whole}' is not possible here`,
    fix: `Write ${bounds} ${kind.unit}, like '${kind.example}'.`,
  };
}

function unitMissing(text: string, kind: QuantityKind): Fault {
  return { code: 'UNIT_MISSING', say: `'${text}' has no unit`, fix: `Say which: ${unitsLike(kind).join(', ')}, like '${kind.example}'.` };
}

function unreadable(kind: QuantityKind): Fault {
  return { code: 'QUANTITY_UNREADABLE', say: 'a number with its unit is wanted', fix: `Write it like '${kind.example}'.` };
}

function inWhole(fault: Fault, whole: string, unitText: string): Fault {
  return fault.part ? { ...fault, part: { offset: whole.lastIndexOf(unitText), length: unitText.length } } : fault;
}

/** An unknown unit, with the nearest of `candidates` or of all. */
export function unknownUnit(text: string, candidates?: string[]): Fault {
  const known = candidates ?? [...units.keys()].filter((name) => name !== '');
  const nearest = findAlias(text, known) ?? findNearestName(text, known);
  const fix = nearest ? `Did you mean '${nearest}'?` : `Known units: ${known.join(', ')}.`;
  return { code: 'UNIT_UNKNOWN', say: `unknown unit '${text}'`, fix };
}

/** Units that people write in other ways than this program's. */
const aliases: Record<string, string[]> = {
  '°c': ['degC'],
  c: ['degC'],
  celsius: ['degC'],
  deg_c: ['degC'],
  '°f': ['degF'],
  f: ['degF'],
  fahrenheit: ['degF'],
  kelvin: ['K'],
  volt: ['V'],
  volts: ['V'],
  amps: ['A'],
  amp: ['A'],
  percent: ['%'],
  pct: ['%'],
  '1/min': ['rpm'],
  'rev/min': ['rpm'],
  sec: ['s'],
  seconds: ['s'],
  msec: ['ms'],
  millibar: ['mbar'],
  kph: ['km/h'],
  kmh: ['km/h'],
  degrees: ['deg'],
  '°': ['deg'],
  ohms: ['ohm'],
  'cc/m': ['cc/min'],
  'ml/min': ['cc/min'],
  'lb/hr': ['lb/h'],
  'l/hr': ['L/h'],
  'ft-lb': ['lbft'],
  'lb-ft': ['lbft'],
  µs: ['us'],
  µv: ['uV'],
  ω: ['ohm'],
  k: ['kbit/s'],
  kbps: ['kbit/s'],
  kbaud: ['kbit/s'],
  m: ['Mbit/s', 'min'],
  mbps: ['Mbit/s'],
  bps: ['bit/s'],
  baud: ['bit/s'],
  deg: ['degC', 'deg'],
  mins: ['min'],
  hr: ['h'],
};

function findAlias(text: string, known: string[]): string | undefined {
  const lower = text.toLowerCase();
  const meant = [...known.filter((name) => name.toLowerCase() === lower), ...(aliases[lower] ?? [])];
  return meant.find((name) => known.includes(name));
}

function unitsLike(kind: QuantityKind): string[] {
  const dimensions = [findUnit(kind.unit)?.dimension, ...(kind.also ?? [])];
  return [...units.values()].filter((unit) => dimensions.includes(unit.dimension) && unit.name !== '').map((unit) => unit.name);
}

function wordsOf(dimension: Dimension): string {
  return dimension === 'none' ? 'nothing' : dimension.replaceAll('-', ' ');
}
