// The kinds of values that keys of definition files take: each reads one value, and says in the JSON Schema what may be written.
import { z } from 'zod';
import { units } from '../channels/unit.ts';
import { toSuggestion } from './nearest-name.ts';
import type { Fault } from './problem.ts';
import { isFault, parseQuantity, parseQuantityRange, type QuantityKind, unknownUnit } from './quantity.ts';
import type { RawRange } from './vehicle.ts';
import { exponentAlone, type YamlValue } from './yaml-text.ts';

type JsonSchemaPart = Record<string, unknown>;

/**
 * A key whose value is read by `read`; the schema part is what editors get. zod's own unions only report 'Invalid input', so each
 * kind says itself what is wrong.
 */
export function field<T>(description: string, json: JsonSchemaPart, read: (value: YamlValue) => T | Fault) {
  return z
    .unknown()
    .transform((value, context): T => {
      const result = read(value as YamlValue);
      if (!isFault(result)) return result;
      context.issues.push({ code: 'custom', message: result.say, input: value, params: { fault: result } });
      return z.NEVER;
    })
    .meta({ description, ...json });
}

/** Free text; a number is taken as it reads. */
export function text(description: string, ...examples: string[]) {
  return field(description, { type: ['string', 'number'], ...(examples.length > 0 && { examples }) }, (value) => {
    if (typeof value === 'string' && value.trim() !== '') return value;
    if (typeof value === 'number' || typeof value === 'bigint') return String(value);
    return wrongType('text', value, examples[0] ?? 'some words');
  });
}

/** A formula; what is wrong with it is found later, when the channels are known. */
export function formula(description: string, example: string) {
  return field(description, { type: ['string', 'number', 'boolean'], examples: [example] }, (value) => {
    if (value === null || typeof value === 'object') return wrongType('a formula', value, example);
    return String(value);
  });
}

export function flag(description: string) {
  return field(description, { type: 'boolean' }, (value) => {
    if (typeof value === 'boolean') return value;
    const word = String(value).toLowerCase();
    const meant = ['yes', 'on', '1'].includes(word) ? 'true' : ['no', 'off', '0'].includes(word) ? 'false' : 'true or false';
    return {
      code: 'VALUE_WRONG_TYPE',
      say: `${shown(value)} is neither true nor false`,
      fix: `Write ${meant}, not ${shown(value)}.`,
    } as Fault;
  });
}

export function number(description: string, { integer = false, min = -Infinity, max = Infinity, examples = [] as number[] } = {}) {
  const json = {
    type: integer ? 'integer' : 'number',
    ...(Number.isFinite(min) && { minimum: min }),
    ...(Number.isFinite(max) && { maximum: max }),
    ...(examples.length > 0 && { examples }),
  };
  return field(description, json, (value) => readNumber(value, integer, min, max, examples[0]));
}

function readNumber(given: YamlValue, integer: boolean, min: number, max: number, example?: number): number | Fault {
  // YAML knows no negative hex numbers.
  const negativeHex = typeof given === 'string' && /^-0x[0-9a-fA-F]+$/.test(given);
  // Where a number may have a fraction, nobody writes hexadecimal: `1e6` is a million.
  const exponent = typeof given === 'string' && !integer && exponentAlone.test(given);
  const value = negativeHex ? -Number(given.slice(1)) : exponent ? Number(given) : given;
  if (typeof value !== 'number' || !Number.isFinite(value)) {
    const fault = wrongType(integer ? 'a whole number' : 'a number', value, String(example ?? (Number.isFinite(min) ? min : 1)));
    const meant = typeof value === 'string' ? toNumberMeant(value) : undefined;
    return meant === undefined ? fault : { ...fault, fix: `Write ${meant}, without quotes.` };
  }
  if (integer && !Number.isInteger(value)) return wrongType('a whole number', value, String(Math.round(value)));
  if (value >= min && value <= max) return value;
  const bounds = Number.isFinite(max) ? `${min} to ${max}` : `at least ${min}`;
  return { code: 'VALUE_OUT_OF_RANGE', say: `${value} is not possible here`, fix: `Write ${bounds}.` };
}

/** How YAML writes a number that was written in another way: in quotes, as 100h, as 0X100, with a decimal comma. */
function toNumberMeant(text: string): string | undefined {
  const hex = /^(?:0[xX]|\$)([0-9a-fA-F]+)$/.exec(text) ?? /^([0-9a-fA-F]+)[hH]$/.exec(text);
  if (hex) return `0x${hex[1]}`;
  // Manuals write ids in hexadecimal without saying so.
  if (/^[0-9a-fA-F]*\d[0-9a-fA-F]*$/.test(text) && /[a-fA-F]/.test(text)) return `0x${text}`;
  return /^-?\d+(?:[.,]\d+)?$/.test(text) ? text.replace(',', '.') : undefined;
}

export function choice<const T extends string>(description: string, names: readonly T[]) {
  return field(description, { enum: names }, (value): T | Fault => {
    const found = names.find((name) => name === value);
    if (found !== undefined) return found;
    return { code: 'VALUE_NOT_KNOWN', say: `${shown(value)} is not known here`, fix: toSuggestion(String(value), names) };
  });
}

/** A channel, frame or table name: lower_snake. */
export function lowerSnake(description: string, ...examples: string[]) {
  return field(description, { type: 'string', pattern: '^[a-z][a-z0-9]*(_[a-z0-9]+)*$', examples }, (value) => {
    if (typeof value !== 'string') return wrongType('a name', value, examples[0] ?? 'some_name');
    return checkLowerSnake(value) ?? value;
  });
}

export function checkLowerSnake(name: string): Fault | undefined {
  if (/^[a-z][a-z0-9]*(_[a-z0-9]+)*$/.test(name)) return undefined;
  const better = name
    .trim()
    .replace(/([a-z0-9])([A-Z])/g, '$1_$2')
    .toLowerCase()
    .replace(/[^a-z0-9]+/g, '_')
    .replace(/^[_0-9]+|_+$/g, '');
  const say = `'${name}' is not a name in lower_snake (small letters, digits and single underscores, a letter first)`;
  return { code: 'NAME_WRONG_FORM', say, fix: better === '' ? 'Choose another name.' : `Write '${better}'.` };
}

/** The name of a device, bus, bank, injector set, plan or group: letters, digits, `-` and `_`. */
export function label(description: string, ...examples: string[]) {
  return field(description, { type: 'string', pattern: labelPattern.source, examples }, (value) => {
    if (typeof value !== 'string') return wrongType('a name', value, examples[0] ?? 'some-name');
    return checkLabel(value) ?? value;
  });
}

const labelPattern = /^[A-Za-z0-9][A-Za-z0-9_-]*$/;

export function checkLabel(name: string): Fault | undefined {
  if (labelPattern.test(name)) return undefined;
  const better = name.trim().replace(/[^A-Za-z0-9_-]+/g, '-');
  const say = `'${name}' can't be a name: letters, digits, '-' and '_' only, a letter or digit first`;
  return { code: 'NAME_WRONG_FORM', say, fix: `Write '${better.replace(/^[-_]+|[-_]+$/g, '') || 'a-name'}'.` };
}

/** The name of a channel of this vehicle; whether it exists is looked up later. */
export function channelName(description: string, ...examples: string[]) {
  return lowerSnake(description, ...examples);
}

export function quantity(description: string, kind: QuantityKind) {
  const json = { type: kind.plain ? ['string', 'number'] : 'string', examples: [kind.example] };
  return field(description, json, (value) => parseQuantity(value, kind));
}

export function quantityRange(description: string, kind: QuantityKind) {
  return field(description, { type: 'string', examples: [kind.example] }, (value) => parseQuantityRange(value, kind));
}

export function unit(description: string) {
  return field(description, { enum: [...units.keys()] }, (value) => {
    if (typeof value !== 'string') return wrongType('a unit', value, 'kPa');
    return units.has(value) ? value : unknownUnit(value);
  });
}

const rawSchema = { type: ['integer', 'string'], pattern: '^-?(0x[0-9a-fA-F]+|\\d+)(\\s*\\.\\.\\s*-?(0x[0-9a-fA-F]+|\\d+))?$' };

/** A raw value, a range `a..b`, or a list of them. */
export const rawRangesSchema: JsonSchemaPart = {
  anyOf: [rawSchema, { type: 'array', items: rawSchema }],
  examples: ['0xFFFF', '0xFE00..0xFEFF'],
};

export function rawRanges(description: string) {
  return field(description, rawRangesSchema, readRawRanges);
}

/** Raw values as written: negative ones are still negative, and nothing is known yet about the signal's bits. */
export function readRawRanges(value: YamlValue): RawRange[] | Fault {
  const items = Array.isArray(value) ? value : [value];
  const ranges: RawRange[] = [];
  for (const [i, item] of items.entries()) {
    const range = readRawRange(item);
    if (isFault(range)) return Array.isArray(value) ? { ...range, path: [i] } : range;
    ranges.push(range);
  }
  return ranges;
}

function readRawRange(value: YamlValue): RawRange | Fault {
  if (typeof value === 'number' && Number.isInteger(value)) return { from: BigInt(value), to: BigInt(value) };
  if (typeof value === 'bigint') return { from: value, to: value };
  const match = typeof value === 'string' ? /^(-?\w+)(?:\s*\.\.\s*(-?\w+))?$/.exec(value.trim()) : null;
  const from = match ? parseRaw(match[1] as string) : undefined;
  const to = match?.[2] === undefined ? from : parseRaw(match[2]);
  if (from === undefined || to === undefined)
    return wrongType('a raw value, a range a..b, or a list of them', value, '0xFFFF or 0xFE..0xFF');
  if (from <= to) return { from, to };
  return { code: 'VALUE_OUT_OF_RANGE', say: `the range '${value}' runs backwards`, fix: 'Write the smaller end first.' };
}

/** Decimal or 0x text with all its bits; undefined when it isn't a whole number. */
export function parseRaw(text: string): bigint | undefined {
  const match = /^(-?)(0[xX][0-9a-fA-F]+|\d+)$/.exec(text);
  if (!match) return undefined;
  const size = BigInt(match[2] as string);
  return match[1] === '-' ? -size : size;
}

/** Whole numbers: one, a range `a..b`, or a list of them. */
export function readIntegerRanges(value: YamlValue, min: number, max: number): { from: number; to: number }[] | Fault {
  const ranges = readRawRanges(value);
  if (isFault(ranges)) return ranges;
  const outside = ranges.findIndex(({ from, to }) => from < BigInt(min) || to > BigInt(max));
  if (outside < 0) return ranges.map(({ from, to }) => ({ from: Number(from), to: Number(to) }));
  const fault: Fault = { code: 'VALUE_OUT_OF_RANGE', say: 'this number is not possible here', fix: `Write ${min} to ${max}.` };
  return Array.isArray(value) ? { ...fault, path: [outside] } : fault;
}

export function wrongType(wanted: string, value: YamlValue, example: string): Fault {
  return { code: 'VALUE_WRONG_TYPE', say: `${wanted} is wanted, not ${shown(value)}`, fix: `Write it like ${example}.` };
}

/** A value in words for a message. */
export function shown(value: unknown): string {
  if (value === null || value === undefined) return 'nothing';
  if (Array.isArray(value)) return 'a list';
  if (value instanceof Map) return 'a group of keys';
  return typeof value === 'string' ? `'${value}'` : String(value);
}
