// docs/definitions.md and docs/units.md say what the program knows, no more and no less.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { expect, it } from 'vitest';
import { units } from '../../server/channels/unit.ts';
import { deviceSchema, frameSchema, signalSchema } from '../../server/definitions/device-schema.ts';
import { problemCodes } from '../../server/definitions/problem.ts';
import { vehicleSchema } from '../../server/definitions/vehicle-schema.ts';

const page = (name: string) => readFileSync(join(import.meta.dirname, '../../docs', name), 'utf8');

it('every code of a fault is explained, and no other', () => {
  const section = page('definitions.md').split('## What can be wrong')[1] ?? '';
  const documented = [...section.matchAll(/`([A-Z][A-Z_]+)`/g)].map((match) => match[1]);
  expect(documented.sort()).toEqual(Object.keys(problemCodes).sort());
});

it('every key of device and vehicle files is named', () => {
  const text = page('definitions.md');
  const keys = [deviceSchema, frameSchema, signalSchema, vehicleSchema].flatMap((schema) => Object.keys(schema.shape));
  expect(keys.filter((key) => !new RegExp(`\\b${key}\\b`).test(text))).toEqual([]);
});

it('every unit is listed, and no other', () => {
  const rows = page('units.md').split('| --- | --- |')[1]?.split('\n\n')[0] ?? '';
  const listed = [...rows.matchAll(/`([^`]+)`/g)].map((match) => match[1]);
  expect(listed.sort()).toEqual([...units.keys()].filter((name) => name !== '').sort());
});
