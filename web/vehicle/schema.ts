// What the JSON Schemas of definition files say to a form: which keys there may be, how each is filled in, and how a new part begins.

export interface Schema {
  type?: string | string[];
  description?: string;
  properties?: Record<string, Schema>;
  required?: string[];
  additionalProperties?: Schema | boolean;
  propertyNames?: Schema;
  items?: Schema;
  enum?: (string | number)[];
  anyOf?: Schema[];
  oneOf?: Schema[];
  examples?: unknown[];
  pattern?: string;
}

/**
 * How a value is filled in: `group` has known keys, `named` has parts under names of the user's, `list` has parts in order, `numbers` and
 * `words` are a list on one line, `choice`, `flag`, `number`, `text`; `written` is filled in as YAML.
 */
export type Filling = 'group' | 'named' | 'list' | 'numbers' | 'words' | 'choice' | 'flag' | 'number' | 'text' | 'written';

export function fillingOf(schema: Schema): Filling {
  if (schema.enum) return 'choice';
  if (schema.anyOf) return 'written';
  const types = [schema.type ?? []].flat();
  if (types.includes('object')) return schema.properties ? 'group' : typeof schema.additionalProperties === 'object' ? 'named' : 'written';
  if (types.includes('array')) return fillingOfList(schema.items ?? {});
  if (types.length === 1 && types[0] === 'boolean') return 'flag';
  return types.includes('string') ? 'text' : types.includes('integer') || types.includes('number') ? 'number' : 'written';
}

function fillingOfList(items: Schema): Filling {
  const types = [items.type ?? []].flat();
  if (items.properties || items.anyOf) return 'list';
  if (types.includes('object') || types.includes('array')) return 'written';
  return types.includes('string') ? 'words' : 'numbers';
}

/** A part that may be a bare name or a group (`device` in its short form): the form of what stands there now. */
export function narrowed(schema: Schema, kind: 'map' | 'list' | 'scalar'): Schema {
  if (!schema.anyOf) return schema;
  const choices = schema.anyOf.find((one) => one.enum);
  if (choices && kind === 'scalar') return { ...(schema.description ? { description: schema.description } : {}), ...choices };
  const wanted = { map: 'object', list: 'array', scalar: 'string' }[kind];
  const found = schema.anyOf.find((one) => [one.type ?? []].flat().includes(wanted) && (kind !== 'map' || one.properties));
  return found ? { ...(schema.description ? { description: schema.description } : {}), ...found } : schema;
}

/** Schema of what stands under a key, or at a place of a list. */
export function schemaAt(schema: Schema, key: string | number): Schema | undefined {
  if (typeof key === 'number') return schema.items;
  const named = typeof schema.additionalProperties === 'object' ? schema.additionalProperties : undefined;
  return schema.properties?.[key] ?? named;
}

/** An example as it is written, for the empty field's hint. */
export function exampleOf(schema: Schema): string {
  const [example] = schema.examples ?? [];
  return example === undefined ? '' : toFlow(example);
}

/** The YAML that a new part begins with: what it needs and nothing more; several lines for a part that holds lists of parts. */
export function beginningOf(schema: Schema, freshName: string): string {
  const filling = fillingOf(schema);
  if (filling === 'group') return beginningOfGroup(schema, freshName);
  if (filling === 'list' || filling === 'numbers' || filling === 'words') return '[]';
  if (filling === 'named') return '{}';
  if (filling === 'flag') return 'true';
  if (filling === 'choice') return toFlow(schema.enum?.find((one) => one !== '') ?? '');
  const short = schema.anyOf?.find((one) => one.type === 'string');
  const example = exampleOf(schema) || (schema.anyOf ?? []).map(exampleOf).find((text) => text !== '');
  return example ?? (short ? freshName : filling === 'number' ? '0' : freshName);
}

function beginningOfGroup(schema: Schema, freshName: string): string {
  const [alternative] = schema.oneOf ?? [];
  const needed = [...new Set([...(schema.required ?? []), ...(alternative?.required ?? [])])];
  const order = Object.keys(schema.properties ?? {}).filter((key) => needed.includes(key));
  const pairs = order.map((key): [string, Schema] => [key, schema.properties?.[key] ?? {}]);
  if (pairs.length === 0) return '{}';
  const parts = pairs.find(([, inner]) => fillingOf(inner) === 'list');
  const toValue = ([key, inner]: [string, Schema]) => (key === 'name' ? freshName : beginningOf(inner, freshName));
  if (!parts) return `{ ${pairs.map((pair) => `${pair[0]}: ${toValue(pair)}`).join(', ')} }`;
  return pairs
    .map((pair) =>
      pair === parts ? `${pair[0]}:\n  - ${beginningOf(pair[1].items ?? {}, `${freshName}_value`)}` : `${pair[0]}: ${toValue(pair)}`,
    )
    .join('\n');
}

function toFlow(value: unknown): string {
  if (Array.isArray(value)) return `[${value.map(toFlow).join(', ')}]`;
  if (typeof value === 'object' && value !== null) {
    return `{ ${Object.entries(value)
      .map(([key, inner]) => `${key}: ${toFlow(inner)}`)
      .join(', ')} }`;
  }
  // A percent sign can't begin a plain word.
  return typeof value === 'string' && /^%|^$/.test(value) ? `"${value}"` : String(value);
}

/** What was typed into a field: numbers keep their spelling (0x4C0), words are quoted where they need it, by the server. */
export function toEntered(schema: Schema, typed: string): { value: string } | { source: string } {
  const filling = fillingOf(schema);
  const text = typed.trim();
  if (filling === 'numbers' || filling === 'words') return { source: `[${text}]` };
  if (filling === 'written') return { source: text };
  const numeric = /^[-+]?(0x[0-9a-f]+|(\d+\.?\d*|\.\d+)(e[-+]?\d+)?)$/i.test(text);
  const takesNumber = [schema.type ?? []].flat().some((type) => type === 'integer' || type === 'number');
  return numeric && takesNumber ? { source: text } : { value: text };
}

/** A list on one line without its brackets. */
export function toListText(source: string): string {
  return source.replace(/^\[\s*|\s*\]$/g, '');
}
