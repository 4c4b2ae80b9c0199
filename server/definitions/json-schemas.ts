// The JSON Schemas of definition files, for editors: made from the same shapes that files are read by.
import { readFile, writeFile } from 'node:fs/promises';
import { join } from 'node:path';
import { z } from 'zod';
import { shortKeyOf } from './check-shape.ts';
import { deviceSchema } from './device-schema.ts';
import { harnessSchema } from './harness-schema.ts';
import { vehicleSchema } from './vehicle-schema.ts';

type JsonSchema = Record<string, unknown>;

const schemas = { device: deviceSchema, vehicle: vehicleSchema, harness: harnessSchema } as const;

export const schemaNames = Object.keys(schemas) as (keyof typeof schemas)[];

/** JSON Schema, draft 7, as it is written to `NAME.schema.json`. */
export function toSchemaText(name: keyof typeof schemas): string {
  const made = z.toJSONSchema(schemas[name], { target: 'draft-7', io: 'input', override: addWhatZodLeavesOut }) as JsonSchema;
  return `${JSON.stringify({ ...made, title: `Evenburn ${name} file` }, null, 2)}\n`;
}

/**
 * Brings `*.schema.json` of a vehicle folder up to date: in the folder above it where they lie there already (several vehicles share
 * them), else in the folder itself. A folder that can't be written is left as it is: the schemas only help editors.
 */
export async function writeSchemasBeside(vehicleDir: string): Promise<void> {
  for (const name of schemaNames) {
    const fileName = `${name}.schema.json`;
    const above = await readFile(join(vehicleDir, '..', fileName), 'utf8').catch(() => undefined);
    const path = above === undefined ? join(vehicleDir, fileName) : join(vehicleDir, '..', fileName);
    const found = above ?? (await readFile(path, 'utf8').catch(() => undefined));
    const text = toSchemaText(name);
    if (found !== text) await writeFile(path, text).catch(() => undefined);
  }
}

/** What refinements and transforms don't carry over: examples, a text in place of a group, and 'exactly one of'. */
function addWhatZodLeavesOut({ zodSchema, jsonSchema }: { zodSchema: z.core.$ZodTypes; jsonSchema: JsonSchema }): void {
  const examples = (zodSchema as unknown as z.ZodType).meta()?.examples;
  if (examples !== undefined) jsonSchema.examples = examples;
  // Editors see a key like `1` as a number, and a key is always text: its pattern says enough.
  if (jsonSchema.propertyNames) delete (jsonSchema.propertyNames as JsonSchema).type;
  const short = zodSchema instanceof z.ZodObject ? shortKeyOf(zodSchema) : undefined;
  const properties = (jsonSchema.properties ?? {}) as JsonSchema;
  if ('pgn' in properties) jsonSchema.oneOf = [{ required: ['id'] }, { required: ['pgn'] }];
  if ('start_bit' in properties) jsonSchema.oneOf = [{ required: ['bytes'] }, { required: ['start_bit', 'bit_length'] }];
  if ('listener' in properties) jsonSchema.oneOf = [{ required: ['device'] }, { required: ['listener'] }];
  if (short === undefined) return;
  delete jsonSchema.shortFor;
  const { description, ...group } = jsonSchema;
  for (const key of Object.keys(jsonSchema)) delete jsonSchema[key];
  Object.assign(jsonSchema, { description, anyOf: [{ type: 'string' }, group] });
}
