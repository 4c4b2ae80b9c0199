// Walks a file's data beside its schema: reports every unknown, missing, empty or unreadable key, and keeps all that can be read.
import { z } from 'zod';
import { shown } from './fields.ts';
import { findNearestName, toSuggestion } from './nearest-name.ts';
import type { Fault, ProblemList } from './problem.ts';
import type { Path, YamlText, YamlValue } from './yaml-text.ts';

/** What can be read of a schema's value when parts of it may be wrong: every key may be undefined. */
export type Read<S> =
  S extends z.ZodOptional<infer Inner>
    ? Read<Inner>
    : S extends z.ZodObject<infer Shape>
      ? { [K in keyof Shape]?: Read<Shape[K]> | undefined }
      : S extends z.ZodArray<infer Element>
        ? (Read<Element> | undefined)[]
        : S extends z.ZodRecord<z.core.$ZodRecordKey, infer Value>
          ? Map<string, Read<Value> | undefined>
          : z.output<S>;

/**
 * Reads a file by its schema. Faults go to `problems` with their places; a faulty value is undefined in the result, an element of a
 * list or group keeps its index or key, so that paths stay true.
 */
export function checkShape<S extends z.ZodType>(schema: S, file: YamlText, problems: ProblemList): Read<S> | undefined {
  return readValue(schema, file.data, [], { file, problems }) as Read<S> | undefined;
}

interface Context {
  file: YamlText;
  problems: ProblemList;
}

function readValue(schema: unknown, value: YamlValue, path: Path, context: Context): unknown {
  if (schema instanceof z.ZodOptional) return readValue(schema.unwrap(), value, path, context);
  if (value === null && path.length > 0) {
    context.problems.addAtKey(context.file, path, valueMissing(path));
    return undefined;
  }
  if (schema instanceof z.ZodObject) return readObject(schema, value, path, context);
  if (schema instanceof z.ZodArray) return readList(schema, value, path, context);
  if (schema instanceof z.ZodRecord) return readGroup(schema, value, path, context);
  return readLeaf(schema as z.ZodType, value, path, context);
}

function readObject(schema: z.ZodObject, given: YamlValue, path: Path, context: Context): unknown {
  const short = shortKeyOf(schema);
  const value = short !== undefined && typeof given === 'string' ? new Map([[short, given]]) : given;
  if (!(value instanceof Map)) {
    const keys = Object.keys(schema.shape);
    const fix = `Write keys and values: ${keys.slice(0, 4).join(', ')}${keys.length > 4 ? ', ...' : ''}.`;
    return report(context, path, { code: 'VALUE_WRONG_TYPE', say: `a group of keys is wanted, not ${shown(value)}`, fix }, undefined);
  }
  const result: Record<string, unknown> = {};
  for (const [key, inner] of value) {
    const part = Object.hasOwn(schema.shape, key) ? schema.shape[key] : catchallOf(schema);
    if (part) {
      result[key] = readValue(part, inner, [...path, key], context);
      continue;
    }
    context.problems.addAtKey(context.file, [...path, key], unknownKey(key, path, Object.keys(schema.shape)));
    // A mistyped key is no missing one, and what is under it is read as what it was meant to be: all faults at once.
    const nearest = findNearestName(key, Object.keys(schema.shape));
    if (nearest === undefined || value.has(nearest) || context.problems.isMeant(context.file, [...path, nearest])) continue;
    context.problems.addMeant(context.file, [...path, nearest]);
    readValue(schema.shape[nearest], inner, [...path, key], context);
  }
  for (const [key, part] of Object.entries(schema.shape)) {
    if (part instanceof z.ZodOptional || value.has(key) || context.problems.isMeant(context.file, [...path, key])) continue;
    context.problems.addAtKey(context.file, path, missingKey(key, part as z.ZodType));
  }
  return result;
}

/** The shape of keys that an object does not name; undefined where it takes no others. */
function catchallOf(schema: z.ZodObject): unknown {
  const { catchall } = schema.def;
  return catchall instanceof z.ZodNever ? undefined : catchall;
}

/** The key that a plain text stands for, where a group of keys may also be written as one text (meta `shortFor`). */
export function shortKeyOf(schema: z.ZodType): string | undefined {
  return schema.meta()?.shortFor as string | undefined;
}

function readList(schema: z.ZodArray, value: YamlValue, path: Path, context: Context): unknown {
  if (Array.isArray(value)) return value.map((item, i) => readValue(schema.element, item, [...path, i], context));
  const fault: Fault = {
    code: 'VALUE_WRONG_TYPE',
    say: `a list is wanted, not ${shown(value)}`,
    fix: 'Write [ ... ], or lines that begin with -.',
  };
  return report(context, path, fault, undefined);
}

function readGroup(schema: z.ZodRecord, value: YamlValue, path: Path, context: Context): unknown {
  if (!(value instanceof Map)) {
    const fault: Fault = {
      code: 'VALUE_WRONG_TYPE',
      say: `names with values are wanted, not ${shown(value)}`,
      fix: 'Write { name: value, ... }.',
    };
    return report(context, path, fault, undefined);
  }
  const result = new Map<string, unknown>();
  for (const [key, inner] of value) {
    const keyFault = faultOf(schema.keyType as z.ZodType, key);
    if (keyFault) context.problems.addAtKey(context.file, [...path, key], keyFault);
    else result.set(key, readValue(schema.valueType, inner, [...path, key], context));
  }
  return result;
}

function readLeaf(schema: z.ZodType, value: YamlValue, path: Path, context: Context): unknown {
  const result = schema.safeParse(value);
  if (result.success) return result.data;
  return report(context, path, toFault(result.error), undefined);
}

function faultOf(schema: z.ZodType, value: YamlValue): Fault | undefined {
  const result = schema.safeParse(value);
  return result.success ? undefined : toFault(result.error);
}

function toFault(error: z.ZodError): Fault {
  const issue = error.issues[0];
  const params = issue?.code === 'custom' ? (issue.params as { fault?: Fault } | undefined) : undefined;
  return params?.fault ?? { code: 'VALUE_WRONG_TYPE', say: issue?.message ?? 'not readable', fix: 'Write another value.' };
}

function report(context: Context, path: Path, fault: Fault, result: undefined): undefined {
  context.problems.addAtValue(context.file, path, fault);
  return result;
}

function valueMissing(path: Path): Fault {
  const last = path.at(-1);
  const what = typeof last === 'number' ? `item ${last + 1} of '${path.findLast((part) => typeof part === 'string')}'` : `'${last}'`;
  return { code: 'VALUE_MISSING', say: `${what} has no value`, fix: 'Give it one, or remove it.' };
}

function unknownKey(key: string, path: Path, known: string[]): Fault {
  const owner = [...path].reverse().find((part) => typeof part === 'string');
  if (key === '<<') return { code: 'KEY_UNKNOWN', say: "'<<' takes over no keys here", fix: 'Write the keys out.' };
  // `formula: max(a, 3)` inside { } ends at its comma.
  const fix = /^[\w-]+$/.test(key) ? toSuggestion(key, known) : 'Inside { } a comma ends a value: put the whole text before it in quotes.';
  return { code: 'KEY_UNKNOWN', say: `unknown key '${key}'${owner === undefined ? '' : ` in '${owner}'`}`, fix };
}

function missingKey(key: string, schema: z.ZodType): Fault {
  const meta = schema.meta();
  const example = (meta?.examples as unknown[] | undefined)?.[0];
  const fix = `Add '${key}:${example === undefined ? '' : ` ${String(example)}`}'${meta?.description ? ` (${firstSentence(meta.description)})` : ''}.`;
  return { code: 'KEY_MISSING', say: `'${key}' is needed here`, fix };
}

function firstSentence(description: string): string {
  return description.split(/[.;]/)[0] ?? description;
}
