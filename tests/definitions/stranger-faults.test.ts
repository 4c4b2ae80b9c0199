// Faults as a stranger with a manual and a text editor makes them: one in each file, marked ⟦so⟧, with what must be said of it; written by hand.
import { expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';

const vehicle = (buses = '  main: { bit_rate: 500 kbit/s, devices: [box] }', rest = '') => `vehicle: Bench\nbuses:\n${buses}\n${rest}`;
const device = (signals: string[], frame = '') =>
  `device: box\nframes:\n  - name: one\n    id: 0x100\n    length: 8\n${frame}    signals:\n${signals.map((one) => `      - ${one}\n`).join('')}`;
const speed = '{ name: engine_speed, bytes: 0..1, unit: rpm }';

interface Files {
  vehicle?: string;
  device?: string;
}

/** The fix, or a part of it, as a pattern over what is said and what to do. */
type Case = [is: string, code: string, says: RegExp, files: Files];

const cases: Case[] = [
  ['unit in other case', 'UNIT_UNKNOWN', /'kPa'/, { device: device([speed, '{ name: p, bytes: 2, unit: ⟦KPA⟧ }']) }],
  ['unit by another word', 'UNIT_UNKNOWN', /'degC'|degC/, { device: device([speed, '{ name: t, bytes: 2, unit: ⟦°C⟧ }']) }],
  ['unit celsius', 'UNIT_UNKNOWN', /degC/, { device: device([speed, '{ name: t, bytes: 2, unit: ⟦celsius⟧ }']) }],
  ['id without extended', 'FRAME_ID_NEEDS_EXTENDED', /extended: true/, { device: device([speed]).replace('0x100', '⟦0x18FEEE00⟧') }],
  ['id negative', 'VALUE_OUT_OF_RANGE', /./, { device: device([speed]).replace('0x100', '⟦-1⟧') }],
  ['id as text hex without 0x', 'VALUE_WRONG_TYPE', /Write 0x4C0, without quotes/, { device: device([speed]).replace('0x100', '⟦4C0⟧') }],
  ['id beyond 29 bits', 'VALUE_OUT_OF_RANGE', /./, { device: device([speed], '    extended: true\n').replace('0x100', '⟦0x20000000⟧') }],
  ['misspelt key', 'KEY_UNKNOWN', /'factor'/, { device: device(['{ name: a, bytes: 0, ⟦fcator⟧: 2 }']) }],
  ['key of another level', 'KEY_UNKNOWN', /./, { device: device(['{ name: a, bytes: 0, ⟦period⟧: 10 ms }']) }],
  ['length of bits in bytes', 'KEY_UNKNOWN', /'bit_length'/, { device: device(['{ name: a, start_bit: 0, ⟦bit_lenght⟧: 8 }']) }],
  ['capital in name', 'NAME_WRONG_FORM', /engine_speed|lower/, { device: device(['{ name: ⟦EngineSpeed⟧, bytes: 0 }']) }],
  ['space in name', 'NAME_WRONG_FORM', /oil_temp|lower/, { device: device(['{ name: ⟦oil temp⟧, bytes: 0 }']) }],
  ['bytes 8 of 8', 'SIGNAL_OUTSIDE_FRAME', /./, { device: device([speed, '{ name: a, bytes: ⟦8⟧ }']) }],
  ['bytes backwards', 'VALUE_OUT_OF_RANGE', /./, { device: device(['{ name: a, bytes: ⟦3..2⟧ }']) }],
  ['65 bits', 'VALUE_OUT_OF_RANGE', /./, { device: device(['{ name: a, start_bit: 0, bit_length: ⟦65⟧ }']) }],
  ['0 bits', 'VALUE_OUT_OF_RANGE', /./, { device: device(['{ name: a, start_bit: 0, bit_length: ⟦0⟧ }']) }],
  ['overlap', 'SIGNALS_OVERLAP', /when/, { device: device([speed, '{ name: a, bytes: ⟦1⟧ }']) }],
  [
    'overlap in same page',
    'SIGNALS_OVERLAP',
    /./,
    {
      device: device([
        '{ name: page, bytes: 0 }',
        '{ name: a, bytes: 1, when: { page: 0..2 } }',
        '{ name: b, bytes: ⟦1⟧, when: { page: 2..3 } }',
      ]),
    },
  ],
  [
    'when unknown signal',
    'WHEN_SIGNAL_UNKNOWN',
    /'page'/,
    { device: device(['{ name: page, bytes: 0 }', '{ name: a, bytes: 1, when: { ⟦pge⟧: 0 } }']) },
  ],
  [
    'state beyond bits',
    'RAW_VALUE_OUTSIDE_BITS',
    /./,
    { device: device(['{ name: a, start_bit: 0, bit_length: 2, states: { 0: off, ⟦4⟧: on } }']) },
  ],
  ['fault beyond bits', 'RAW_VALUE_OUTSIDE_BITS', /./, { device: device(['{ name: a, bytes: 0, fault: ⟦0xFFFF⟧ }']) }],
  ['float of 16 bits', 'SIGNAL_FLOAT_LENGTH', /32/, { device: device(['{ name: a, bytes: 0..1, sign: ⟦float⟧ }']) }],
  ['sign in another word', 'VALUE_NOT_KNOWN', /'unsigned'|signed/, { device: device(['{ name: a, bytes: 0, sign: ⟦uint⟧ }']) }],
  ['byte order motorola', 'VALUE_NOT_KNOWN', /big/, { device: device(['{ name: a, bytes: 0..1, byte_order: ⟦motorola⟧ }']) }],
  ['period without unit', 'UNIT_MISSING', /ms/, { device: device([speed], '    period: ⟦50⟧\n') }],
  ['period in Hz', 'UNIT_WRONG_DIMENSION', /ms|s/, { device: device([speed], '    period: 20 ⟦Hz⟧\n') }],
  [
    'duplicate id',
    'FRAME_ID_DUPLICATE',
    /./,
    { device: `${device([speed])}  - name: two\n    id: ⟦0x100⟧\n    length: 8\n    signals:\n      - { name: b, bytes: 0 }\n` },
  ],
  ['second channel', 'NAME_DUPLICATE', /./, { device: device([speed, '{ name: ⟦engine_speed⟧, bytes: 2 }']) }],
  ['tab for indentation', 'YAML_SYNTAX', /tab|spaces/i, { device: 'device: box\nframes:\n⟦⟧\t- name: one\n' }],
  [
    'device not on the bus',
    'DEVICE_UNKNOWN',
    /Known: box/,
    { vehicle: vehicle('  main: { bit_rate: 500 kbit/s, devices: [⟦bx⟧] }'), device: device([speed]) },
  ],
  [
    'bit rate without unit',
    'UNIT_MISSING',
    /kbit\/s/,
    { vehicle: vehicle('  main: { bit_rate: ⟦500⟧, devices: [box] }'), device: device([speed]) },
  ],
  [
    'bit rate in k',
    'UNIT_UNKNOWN',
    /'kbit\/s'/,
    { vehicle: vehicle('  main: { bit_rate: 500⟦k⟧, devices: [box] }'), device: device([speed]) },
  ],
  [
    'formula with an unknown channel',
    'FORMULA_NAME_UNKNOWN',
    /'engine_speed'/,
    { vehicle: vehicle(undefined, 'derived:\n  - { name: twice, formula: "2 * ⟦engine_sped⟧" }\n'), device: device([speed]) },
  ],
  [
    'formula with units that differ',
    'FORMULA_UNITS_DIFFER',
    /in\(/,
    {
      vehicle: vehicle(undefined, 'derived:\n  - { name: sum, formula: "⟦pa + pb⟧" }\n'),
      device: device(['{ name: pa, bytes: 0, unit: kPa }', '{ name: pb, bytes: 1, unit: bar }']),
    },
  ],
  [
    'alarm on an unknown channel',
    'FORMULA_NAME_UNKNOWN',
    /'engine_speed'/,
    {
      vehicle: vehicle(undefined, 'alarms:\n  - { name: fast, when: "⟦engin_speed⟧ > 7000", severity: warning }\n'),
      device: device([speed]),
    },
  ],
  [
    'severity in another word',
    'VALUE_NOT_KNOWN',
    /warning/,
    {
      vehicle: vehicle(undefined, 'alarms:\n  - { name: fast, when: "engine_speed > 7000", severity: ⟦critical⟧ }\n'),
      device: device([speed]),
    },
  ],
  [
    'cycle of two',
    'DERIVED_CYCLE',
    /./,
    {
      vehicle: vehicle(undefined, 'derived:\n  - { name: a, formula: ⟦"b + 1"⟧ }\n  - { name: b, formula: "a + 1" }\n'),
      device: device([speed]),
    },
  ],
  [
    'table out of order',
    'TABLE_NOT_ASCENDING',
    /./,
    { vehicle: vehicle(undefined, 'tables:\n  floor: [[0, 1], [3000, 2], [⟦2000⟧, 3]]\n'), device: device([speed]) },
  ],
  [
    'yes for true',
    'VALUE_WRONG_TYPE',
    /true/,
    { vehicle: vehicle(undefined, 'electrical: { nominal: 12 V, charging: ⟦yes⟧ }\n'), device: device([speed]) },
  ],
  ['own name of a built-in', 'NAME_RESERVED', /./, { vehicle: vehicle(), device: device([speed, '{ name: ⟦bus_load_main⟧, bytes: 2 }']) }],
  [
    'firing order with a cylinder twice',
    'FIRING_ORDER_WRONG',
    /2 missing; 1 more than once/,
    {
      vehicle: vehicle(undefined, 'engine:\n  cycle: four-stroke\n  cylinders: 4\n  firing_order: ⟦[1, 3, 4, 1]⟧\n'),
      device: device([speed]),
    },
  ],
  ['min above max', 'VALUE_OUT_OF_RANGE', /./, { device: device(['{ name: a, bytes: 0, min: 10, max: ⟦5⟧ }']) }],
  ['min beyond bits (warning)', 'RANGE_BEYOND_BITS', /./, { device: device(['{ name: a, bytes: 0, max: ⟦300⟧ }']) }],
  ['no signals key', 'KEY_MISSING', /signals/, { device: 'device: box\nframes:\n  - ⟦⟧name: one\n    id: 0x100\n    length: 8\n' }],
  ['comma for a point', 'VALUE_WRONG_TYPE', /./, { device: device(['{ name: a, bytes: 0, factor: ⟦"0,1"⟧ }']) }],
  [
    'exhaust channel unknown',
    'CHANNEL_UNKNOWN',
    /'exhaust_temp_1'/,
    {
      vehicle: vehicle(undefined, 'engine:\n  cycle: four-stroke\n  cylinders: 1\n  exhaust_temps: { 1: { channel: ⟦exhaust_tmp_1⟧ } }\n'),
      device: device([speed, '{ name: exhaust_temp_1, bytes: 2, unit: degC }']),
    },
  ],
  ['id that YAML takes for 4', 'VALUE_WRONG_TYPE', /Write 0x4E0, without quotes/, { device: device([speed]).replace('0x100', '⟦4E0⟧') }],
  ['merge key', 'KEY_UNKNOWN', /Write the keys out/, { device: device(['{ name: a, bytes: 0, ⟦<<⟧: {} }']) }],
  ['key without which nothing else is read', 'KEY_UNKNOWN', /'buses'/, { vehicle: vehicle().replace('buses:', '⟦busses⟧:') }],
];

const places = (marked: string) => {
  const at = marked.indexOf('⟦');
  const before = marked.slice(0, at);
  return { line: before.split('\n').length, column: at - before.lastIndexOf('\n'), found: marked.slice(at + 1, marked.indexOf('⟧')) };
};
const unmarked = (text: string) => text.replace(/[⟦⟧]/g, '');

it.each(cases)('%s is %s, at its place, with what to do', (_is, code, says, files) => {
  const texts = { 'vehicle.yaml': files.vehicle ?? vehicle(), 'devices/box.yaml': files.device ?? device([speed]) };
  const { problems } = parseVehicle(Object.entries(texts).map(([path, text]) => ({ path, text: unmarked(text) })));
  const [file, marked] = Object.entries(texts).find(([, text]) => text.includes('⟦')) ?? [];
  const { found, ...place } = places(marked ?? '');
  expect(problems.map((problem) => problem.code)).toEqual([code]);
  expect(problems[0]).toMatchObject({ file, ...place, ...(found === '' ? {} : { found }) });
  expect(`${problems[0]?.say}. ${problems[0]?.fix}`).toMatch(says);
});

it('says what is under a mistyped key too, all at once', () => {
  const text = 'vehicle: Bench\nbusses:\n  main: { bit_rate: 500, device: [box] }\n';
  const { problems } = parseVehicle([{ path: 'vehicle.yaml', text }]);
  expect(problems.map(({ code, line, column }) => `${code} ${line}:${column}`)).toEqual([
    'KEY_UNKNOWN 2:1',
    'UNIT_MISSING 3:21',
    'KEY_UNKNOWN 3:26',
  ]);
});

it('takes a number with an exponent where it may have a fraction', () => {
  const text = device(['{ name: a, bytes: 0..3, factor: 1e3, max: 4E12 }']);
  const { vehicle: read, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: vehicle() },
    { path: 'devices/box.yaml', text },
  ]);
  expect(problems).toEqual([]);
  expect(read?.buses[0]?.frames[0]?.signals[0]).toMatchObject({ factor: 1000, max: 4e12 });
});
