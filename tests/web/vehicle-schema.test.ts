// Forms of the vehicle's files: every part of the real schemas can be filled in, and every new part begins as something that loads.
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { tryDraft } from '../../server/editing/draft.ts';
import { beginningOf, fillingOf, narrowed, type Schema, schemaAt, toEntered } from '../../web/vehicle/schema.ts';

const load = (name: string): Schema =>
  JSON.parse(readFileSync(new URL(`../../bus-definitions/${name}.schema.json`, import.meta.url), 'utf8'));
const [vehicle, device, harness] = [load('vehicle'), load('device'), load('harness')];

const at = (schema: Schema, ...path: (string | number)[]) =>
  path.reduce<Schema>((inner, key) => narrowed(schemaAt(inner, key) ?? {}, 'map'), schema);

const vehicleText = 'vehicle: V\nbuses:\n  main: { bit_rate: 500 kbit/s, devices: [box] }\n';
const deviceText = 'device: box\nframes:\n  - { name: first, id: 0x100, length: 8, signals: [{ name: one, bytes: 0..1 }] }\n';

function problemsAfter(path: string, place: (string | number)[], source: string): string[] {
  const files = [
    { path: 'vehicle.yaml', text: vehicleText },
    { path: 'devices/box.yaml', text: deviceText },
  ];
  const { problems } = tryDraft({ files, path, edits: [{ kind: 'insert', at: place, source }] });
  return problems.filter(({ severity }) => severity === 'error').map(({ code }) => code);
}

describe('filling in', () => {
  it.each([
    ['group', at(vehicle, 'engine')],
    ['named', at(vehicle, 'buses')],
    ['list', at(vehicle, 'alarms')],
    ['list', at(device, 'frames')],
    ['list', at(vehicle, 'buses', 'main', 'devices')],
    ['numbers', at(vehicle, 'engine', 'firing_order')],
    ['words', at(harness, 'pin_groups', 'x')],
    ['choice', at(vehicle, 'engine', 'cycle')],
    ['flag', at(vehicle, 'electrical', 'charging')],
    ['number', at(device, 'frames', 0, 'id')],
    ['text', at(vehicle, 'buses', 'main', 'bit_rate')],
    ['written', schemaAt(vehicle, 'fuel')],
    ['written', at(vehicle, 'tables', 'x')],
    ['written', schemaAt(at(vehicle, 'injector_sets', 'port'), 'dead_time')],
  ])('is by %s where the schema says so', (filling, schema) => {
    expect(fillingOf(schema as Schema)).toBe(filling);
  });

  it('knows a way for every part of every file', () => {
    const walk = (schema: Schema): void => {
      expect(fillingOf(schema)).toBeDefined();
      for (const inner of Object.values(schema.properties ?? {})) walk(inner);
      if (typeof schema.additionalProperties === 'object') walk(schema.additionalProperties);
      if (schema.items) walk(schema.items);
      for (const one of schema.anyOf ?? []) walk(one);
    };
    for (const schema of [vehicle, device, harness]) walk(schema);
  });

  it('keeps the spelling of numbers, and leaves words to be quoted', () => {
    expect(toEntered(at(device, 'frames', 0, 'id'), ' 0x4C0 ')).toEqual({ source: '0x4C0' });
    expect(toEntered(at(vehicle, 'buses', 'main', 'bit_rate'), '500 kbit/s')).toEqual({ value: '500 kbit/s' });
    expect(toEntered(at(vehicle, 'engine', 'firing_order'), '1, 3, 4, 2')).toEqual({ source: '[1, 3, 4, 2]' });
    expect(toEntered(at(device, 'device'), '0x10')).toEqual({ value: '0x10' });
  });
});

describe('a new part', () => {
  it('of a device: a frame with its first signal, in lines, is nothing that can not be loaded', () => {
    const source = beginningOf(at(device, 'frames', 0), 'second');
    expect(source).toBe('name: second\nid: 1216\nlength: 8\nsignals:\n  - { name: second_value, bytes: 0..1 }');
    expect(problemsAfter('devices/box.yaml', ['frames', 1], source)).toEqual([]);
  });

  it.each([
    ['engine', at(vehicle, 'engine'), ['engine']],
    ['limits', at(vehicle, 'limits'), ['limits']],
    ['alarms', at(vehicle, 'alarms'), ['alarms']],
    ['tables', at(vehicle, 'tables'), ['tables']],
    ['a bus', at(vehicle, 'buses', 'x'), ['buses', 'second']],
  ])('of the vehicle, %s, loads at once', (_, schema, place) => {
    expect(problemsAfter('vehicle.yaml', place, beginningOf(schema, 'new_part'))).toEqual([]);
  });

  it('of a list that may hold bare names is a name', () => {
    expect(beginningOf(schemaAt(at(vehicle, 'buses', 'main', 'devices'), 0) ?? {}, 'node')).toBe('node');
  });
});
