// The JSON Schemas that editors use: as they stand in bus-definitions, and as a real YAML language server understands them.
import { cpSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { schemaNames, toSchemaText, writeSchemasBeside } from '../../server/definitions/json-schemas.ts';
import { LanguageClient } from './language-client.ts';

const definitions = join(import.meta.dirname, '../../bus-definitions');

interface Schema {
  properties?: Record<string, Schema>;
  items?: Schema;
  anyOf?: Schema[];
  additionalProperties?: Schema | boolean;
  description?: string;
}

describe('the schemas', () => {
  it.each(schemaNames)(
    'bus-definitions/%s.schema.json is what the program reads by (npx evenburn validate bus-definitions/garganey mends it)',
    (name) => {
      expect(readFileSync(join(definitions, `${name}.schema.json`), 'utf8')).toBe(toSchemaText(name));
    },
  );

  it.each(schemaNames)('%s explains every key', (name) => {
    const silent: string[] = [];
    const walk = (schema: Schema, path: string) => {
      for (const [key, part] of Object.entries(schema.properties ?? {})) {
        // Keys of a field's own small groups are explained by the field.
        if (part.description === undefined && !['value', 'at', 'zero'].includes(key)) silent.push(`${path}.${key}`);
        walk(part, `${path}.${key}`);
      }
      for (const part of [schema.items, ...(schema.anyOf ?? []), schema.additionalProperties])
        if (typeof part === 'object') walk(part, path);
    };
    walk(JSON.parse(toSchemaText(name)) as Schema, name);
    expect(silent).toEqual([]);
  });

  it('are written into a user’s folder, and into the folder above where they lie there', async () => {
    const root = mkdtempSync(join(tmpdir(), 'evenburn-schemas-'));
    cpSync(join(definitions, 'garganey'), join(root, 'boat'), { recursive: true });
    await writeSchemasBeside(join(root, 'boat'));
    expect(readFileSync(join(root, 'boat', 'device.schema.json'), 'utf8')).toBe(toSchemaText('device'));
    writeFileSync(join(root, 'vehicle.schema.json'), '{}');
    await writeSchemasBeside(join(root, 'boat'));
    expect(readFileSync(join(root, 'vehicle.schema.json'), 'utf8')).toBe(toSchemaText('vehicle'));
    rmSync(root, { recursive: true });
  });
});

describe('a YAML language server', () => {
  const root = mkdtempSync(join(tmpdir(), 'evenburn-editor-'));
  const client = new LanguageClient();

  beforeAll(async () => {
    for (const name of [...readdirSync(definitions)]) cpSync(join(definitions, name), join(root, name), { recursive: true });
    await client.start(root);
  });

  afterAll(() => {
    client.stop();
    rmSync(root, { recursive: true });
  });

  const filesOf = (vehicle: string) => [
    `${vehicle}/vehicle.yaml`,
    ...readdirSync(join(definitions, vehicle, 'devices')).map((name) => `${vehicle}/devices/${name}`),
  ];

  it.each([...filesOf('garganey'), 'garganey/harness.yaml', ...filesOf('j1939-engine')])('finds nothing wrong with %s', async (path) => {
    expect(await client.diagnose(join(root, path))).toEqual([]);
  });

  it.each([
    ['unit: rpm,', 'unit: rmp,', 'garganey/devices/engine-controller.yaml', /not accepted|Valid values/],
    ['    period: 10 ms', '    perod: 10 ms', 'garganey/devices/engine-controller.yaml', /perod is not allowed/],
    ['    id: 0x2A0', '    id: 0x2A0\n    pgn: 61444', 'garganey/devices/engine-controller.yaml', /Matches multiple schemas/],
    ['    id: 0x2A0\n', '', 'garganey/devices/engine-controller.yaml', /Missing property "(id|pgn)"/],
    ['bytes: 0..1, factor', 'start_bit: 0, factor', 'garganey/devices/engine-controller.yaml', /Missing property/],
    ['charging: true', 'charging: yes please', 'garganey/vehicle.yaml', /Incorrect type. Expected "boolean"/],
    ['firing_order: [1,', 'firing_order: [one,', 'garganey/vehicle.yaml', /Incorrect type. Expected "integer"/],
    ['severity: caution', 'severity: panic', 'garganey/vehicle.yaml', /not accepted|Valid values/],
    ['bit_rate: 500 kbit/s, ', '', 'garganey/vehicle.yaml', /Missing property "bit_rate"/],
  ])('marks %j turned into %j', async (right, wrong, path, message) => {
    const copy = join(root, path.replace('.yaml', `-${Math.abs(hashOf(right + wrong))}.yaml`));
    const text = readFileSync(join(root, path), 'utf8');
    expect(text).toContain(right);
    writeFileSync(copy, text.replace(right, wrong));
    const found = await client.diagnose(copy);
    expect(found.map((diagnostic) => diagnostic.message).join('\n')).toMatch(message);
    const line = text.slice(0, text.indexOf(right)).split('\n').length - 1;
    expect(Math.min(...found.map(({ range }) => Math.abs(range.start.line - line)))).toBeLessThanOrEqual(1);
  });

  it('explains a key under the pointer', async () => {
    const path = join(root, 'garganey/devices/thermocouple-box.yaml');
    await client.diagnose(path);
    const lines = readFileSync(path, 'utf8').split('\n');
    const line = lines.findIndex((text) => text.includes('period:'));
    expect(await client.hover(path, line, 6)).toContain('How often it is sent');
    const signal = lines.findIndex((text) => text.includes('exhaust_temp_1'));
    expect(await client.hover(path, signal, (lines[signal] ?? '').indexOf('byte_order') + 2)).toContain('Which byte comes first');
  });

  it.each([
    [
      'garganey/devices/new.yaml',
      'device: new\nframes:\n  - name: f\n    id: 0x100\n    length: 8\n    signals:\n      - name: s\n        bytes: 0\n        ',
      ['byte_order', 'factor', 'fault', 'not_available', 'unit', 'when'],
      ['name', 'bytes'],
    ],
    [
      'garganey/devices/frame.yaml',
      'device: new\nframes:\n  - name: f\n    ',
      ['id', 'pgn', 'length', 'period', 'signals'],
      ['name', 'factor'],
    ],
    [
      'garganey/vehicle-new.yaml',
      'vehicle: V\n',
      ['buses', 'engine', 'injector_sets', 'alarms', 'derived', 'limits', 'trunk'],
      ['vehicle', 'frames'],
    ],
  ])('offers the keys that may come next in %s, each explained', async (path, text, offered, notOffered) => {
    const schema = path.includes('devices') ? '../../device' : '../vehicle';
    const { completions } = await typed(path, `# yaml-language-server: $schema=${schema}.schema.json\n${text}`);
    const labels = [...completions.keys()];
    expect(labels).toEqual(expect.arrayContaining(offered));
    expect(labels.filter((label) => notOffered.includes(label))).toEqual([]);
    for (const key of offered) expect([key, completions.get(key)?.trim()]).not.toEqual([key, '']);
  });

  it.each([
    ['unit: k', ['kPa', 'kW', 'kg/h', 'km/h']],
    ['byte_order: ', ['little', 'big']],
    ['sign: ', ['unsigned', 'signed', 'float']],
    ['reference: ', ['gauge', 'absolute', 'differential']],
  ])('offers what may stand behind %j', async (start, offered) => {
    const text = `device: new\nframes:\n  - name: f\n    id: 0x100\n    length: 8\n    signals:\n      - name: s\n        bytes: 0\n        ${start}`;
    const path = `garganey/devices/value-${start.split(':')[0]}.yaml`;
    const { completions } = await typed(path, `# yaml-language-server: $schema=../../device.schema.json\n${text}`);
    expect([...completions.keys()]).toEqual(expect.arrayContaining(offered));
  });

  /** A file as somebody has typed it so far, and what may come at its end. */
  async function typed(path: string, text: string): Promise<{ completions: Map<string, string> }> {
    writeFileSync(join(root, path), text);
    await client.diagnose(join(root, path));
    const lines = text.split('\n');
    return { completions: await client.complete(join(root, path), lines.length - 1, lines.at(-1)?.length ?? 0) };
  }
});

function hashOf(text: string): number {
  let hash = 0;
  for (const letter of text) hash = (hash * 31 + letter.charCodeAt(0)) | 0;
  return hash;
}
