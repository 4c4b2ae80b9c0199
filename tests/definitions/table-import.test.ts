// Tables as manuals have them, in several spellings, and what must come out: expected places are by hand from the numbering of device files.
import { execFileSync, spawnSync } from 'node:child_process';
import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { bitPositions } from '../../server/codec/bits.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { parseLinear, parseNumber, parseType, toSnakeName } from '../../server/definitions/table-cells.ts';
import { type ImportedTable, importTable, type TableOptions } from '../../server/definitions/table-import.ts';
import { parseUnit } from '../../server/definitions/table-units.ts';
import type { Frame, Signal } from '../../server/definitions/vehicle.ts';

function read(text: string, options: Partial<TableOptions> = {}): ImportedTable {
  const table = importTable(text, { device: 'box', ...options });
  if (!table) throw new Error('no table');
  return table;
}

/** The frames that the written file defines, as any vehicle would have them. */
function framesOf(table: ImportedTable): Frame[] {
  const { vehicle, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: V\nbuses:\n  b: { bit_rate: 500 kbit/s, devices: [box] }\n' },
    { path: 'devices/box.yaml', text: table.text },
  ]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  return vehicle.buses[0]?.frames ?? [];
}

function signalOf(table: ImportedTable, name: string): Signal {
  const found = framesOf(table)
    .flatMap(({ signals }) => signals)
    .find((signal) => signal.name === name);
  if (!found) throw new Error(`no ${name}`);
  return found;
}

describe('a table with ids in hexadecimal, start bits and lengths in bits', () => {
  const table = read(`Box, page 12
CAN ID (hex),Message,Signal Name,Start Bit,Length (bits),Byte Order,Type,Scale,Offset,Units,Min,Max,Cycle time (ms),DLC,Description
5F0,Engine 1,Engine Speed,0,16,little,unsigned,0.25,0,rpm,0,16000,10,8,"crank, filtered"
,,Throttle Position,16,8,little,unsigned,0.4,0,%,0,100,,,
,,Coolant Temp,24,8,little,signed,1,-40,°C,,,,,
5F1,Engine 2,Oil Pressure (kPa),7,16,big,unsigned,0.1,,kPa,,,50,6,
,,Battery,23,16,big,unsigned,1/1000,,Volts,,,,,
`);

  it('gives frames with id, length and period, and signals with their scaling', () => {
    const [first, second] = framesOf(table);
    expect(first).toMatchObject({ name: 'engine_1', id: 0x5f0, lengthBytes: 8, periodUs: 10_000, extended: false });
    expect(second).toMatchObject({ name: 'engine_2', id: 0x5f1, lengthBytes: 6, periodUs: 50_000 });
    expect(signalOf(table, 'engine_speed')).toMatchObject({ startBit: 0, bitLength: 16, factor: 0.25, unit: 'rpm', min: 0, max: 16000 });
    expect(signalOf(table, 'throttle_position')).toMatchObject({ startBit: 16, bitLength: 8, unit: '%' });
    expect(signalOf(table, 'coolant_temp')).toMatchObject({ sign: 'signed', offset: -40, unit: 'degC' });
    expect(signalOf(table, 'oil_pressure')).toMatchObject({ startBit: 7, bitLength: 16, byteOrder: 'big', factor: 0.1 });
    expect(signalOf(table, 'battery')).toMatchObject({ startBit: 23, factor: 0.001, unit: 'V' });
  });

  it('keeps a manual’s remark beside its signal', () => {
    expect(table.text).toContain('max: 16000 } # crank, filtered');
  });

  it('has nothing to mend and nothing to wonder about', () => {
    expect(table.conflicts).toEqual([]);
    expect(table.notes).toEqual([]);
    expect(table.headingRow).toBe(2);
  });
});

describe('a J1939 table', () => {
  const table = read(`PGN\tSPN\tParameter\tPosition\tLength\tResolution\tOffset\tUnit\tRange\tTransmit rate
61444\t190\tEngine Speed\t4-5\t2 bytes\t0.125 rpm/bit\t0\trpm\t0 to 8031.875\t
61444\t513\tActual Torque\t3\t1 byte\t1 %/bit\t-125\t%\t-125 to 125\t
65262\t175\tOil temp\t3-4\t2 bytes\t0.03125 °C/bit\t-273\t°C\t\t1 s
65280\t\tSwitch\t8.3\t2 bits\t\t\t\t\t2 Hz
`);

  it('counts bytes and bits from 1, as the standard does', () => {
    expect(table.countFrom).toBe(1);
    expect(signalOf(table, 'engine_speed')).toMatchObject({ startBit: 24, bitLength: 16, factor: 0.125, min: 0, max: 8031.875 });
    expect(signalOf(table, 'actual_torque')).toMatchObject({ startBit: 16, bitLength: 8, offset: -125, unit: '%' });
    expect(signalOf(table, 'oil_temp')).toMatchObject({ startBit: 16, bitLength: 16, factor: 0.03125, offset: -273, unit: 'degC' });
    expect(signalOf(table, 'switch')).toMatchObject({ startBit: 58, bitLength: 2 });
  });

  it('reads groups and periods, and names the SPN', () => {
    const frames = framesOf(table);
    expect(frames.map(({ pgn }) => pgn)).toEqual([61444, 65262, 65280]);
    expect(frames.map(({ periodUs }) => periodUs)).toEqual([undefined, 1_000_000, 500_000]);
    expect(table.text).toContain('# SPN 190');
  });
});

describe('ways of counting', () => {
  const rows = (cells: string[]) => `id,name,byte,bit,length (bits)\n${cells.map((cell, i) => `0x100,s${i},${cell}`).join('\n')}\n`;

  it('bytes from 0 where a byte 0 is there, from 1 where a byte 8 of 8 is', () => {
    expect(read('id,name,bytes,dlc\n0x100,a,0-1,8\n0x100,b,2,8\n').countFrom).toBe(0);
    const one = read('id,name,bytes,dlc\n0x100,a,1-2,8\n0x100,b,8,8\n');
    expect(one.countFrom).toBe(1);
    expect(signalOf(one, 'a')).toMatchObject({ startBit: 0, bitLength: 16 });
    expect(signalOf(one, 'b')).toMatchObject({ startBit: 56, bitLength: 8 });
  });

  it('is told where both are possible, and a choice settles it', () => {
    const text = 'id,name,bytes,dlc\n0x100,a,2,8\n';
    expect(read(text).notes.map(({ say }) => say)).toContainEqual(expect.stringContaining('from 1, lsb0'));
    const chosen = read(text, { countFrom: 1, bitNumbering: 'lsb0' });
    expect(chosen.notes).toEqual([]);
    expect(signalOf(chosen, 'a').startBit).toBe(8);
  });

  it.each<[string, TableOptions['bitNumbering'], string, number]>([
    // Byte 3, bit 2 of two bits: counted from the least significant, bits 2 and 3; from the most significant, bits 5 and 4.
    ['lsb0', 'lsb0', '3,2,2', 26],
    ['msb0', 'msb0', '3,2,2', 28],
  ])('bits of a byte, %s', (_, bitNumbering, cells, startBit) => {
    const table = read(rows([cells]), { countFrom: 0, ...(bitNumbering ? { bitNumbering } : {}) });
    expect(signalOf(table, 's0')).toMatchObject({ startBit, bitLength: 2 });
  });

  it.each<[string, TableOptions['bitNumbering'], number, number]>([
    // Bytes 2 and 3, big-endian, 16 bits, start bit 23 in device files. Its lowest bit is bit 24; as sent, its first bit is the 17th.
    ['the most significant bit', 'lsb0', 23, 23],
    ['the least significant bit', 'lsb0-low', 24, 23],
    ['the first bit sent', 'msb0', 16, 23],
  ])('a big-endian start bit that is %s', (_, bitNumbering, told, startBit) => {
    const table = read(`id,name,start bit,bit length,byte order\n0x100,a,${told},16,big\n`, {
      countFrom: 0,
      ...(bitNumbering ? { bitNumbering } : {}),
    });
    expect(signalOf(table, 'a')).toMatchObject({ startBit, bitLength: 16, byteOrder: 'big' });
  });

  it('finds out the numbering from what fits', () => {
    // Start bits 8 and 24 of 16 bits each: only the least significant bits of bytes 0 to 1 and 2 to 3 can be meant.
    const table = read('id,name,start bit,bit length,byte order,dlc\n0x100,a,8,16,big,4\n0x100,b,24,16,big,4\n', { countFrom: 0 });
    expect(table.bitNumbering).toBe('lsb0-low');
    expect(signalOf(table, 'a').startBit).toBe(7);
    expect(signalOf(table, 'b').startBit).toBe(23);
  });

  it('comes back to the same bits from any layout, written in any way (property)', () => {
    const field = fc.record({
      byte: fc.integer({ min: 0, max: 7 }),
      bit: fc.integer({ min: 0, max: 7 }),
      length: fc.integer({ min: 1, max: 32 }),
      big: fc.boolean(),
    });
    const way = fc.record({
      countFrom: fc.constantFrom(0 as const, 1 as const),
      bitNumbering: fc.constantFrom('lsb0', 'lsb0-low', 'msb0'),
    });
    fc.assert(
      fc.property(field, way, ({ byte, bit, length, big }, { countFrom, bitNumbering }) => {
        const startBit = byte * 8 + bit;
        const place = { startBit, bitLength: length, byteOrder: big ? ('big' as const) : ('little' as const), sign: 'unsigned' as const };
        const bits = bitPositions(place);
        fc.pre(bits.every((one) => one.byte < 8));
        const [highest, lowest] = [bits[0], bits.at(-1)] as [{ byte: number; bit: number }, { byte: number; bit: number }];
        const lsb0 = (one: { byte: number; bit: number }) => one.byte * 8 + one.bit;
        const asSent = (one: { byte: number; bit: number }) => one.byte * 8 + 7 - one.bit;
        const first = big && bitNumbering !== 'lsb0-low' ? highest : lowest;
        const told = (bitNumbering === 'msb0' ? asSent(first) : lsb0(first)) + countFrom;
        const text = `id;name;start bit;bit length;byte order;dlc\n0x100;a;${told};${length};${big ? 'big' : 'little'};8\n`;
        const table = read(text, { countFrom, bitNumbering: bitNumbering as 'lsb0' });
        expect(bitPositions(signalOf(table, 'a'))).toEqual(bits);
      }),
    );
  });
});

describe('cells', () => {
  it.each([
    ['0.1', 0.1],
    ['0,125', 0.125],
    ['1,234.5', 1234.5],
    ['1/8', 0.125],
    ['x0.5', 0.5],
    ['/10', 0.1],
    ['0.125 rpm/bit', 0.125],
    ['0x1F', 31],
    ['−40 °C', -40],
    ['1e-3', 0.001],
    ['n/a', undefined],
    ['', undefined],
  ])('%j is the number %s', (cell, value) => {
    expect(parseNumber(cell)).toBe(value);
  });

  it.each([
    ['uint16', { sign: 'unsigned', bitLength: 16 }],
    ['int8_t', { sign: 'signed', bitLength: 8 }],
    ['S16', { sign: 'signed', bitLength: 16 }],
    ['U8', { sign: 'unsigned', bitLength: 8 }],
    ['unsigned 16 bit', { sign: 'unsigned', bitLength: 16 }],
    ['Signed, 2 bytes', { sign: 'signed', bitLength: 16 }],
    ['float', { sign: 'float', bitLength: 32 }],
    ['double', { sign: 'float', bitLength: 64 }],
    ['unsigned short', { sign: 'unsigned', bitLength: 16 }],
    ['U16_BE', { sign: 'unsigned', bitLength: 16, byteOrder: 'big' }],
    ['bool', { sign: 'unsigned', bitLength: 1 }],
    ['unsigned', { sign: 'unsigned' }],
    ['', {}],
  ])('type %j', (cell, type) => {
    expect(parseType(cell)).toEqual(type);
  });

  it.each([
    ['°C', 'degC'],
    ['deg C', 'degC'],
    ['RPM', 'rpm'],
    ['KPA', 'kPa'],
    ['Volts', 'V'],
    ['[psi]', 'psi'],
    ['µs', 'us'],
    ['-', ''],
    ['furlong', undefined],
  ])('unit %j', (cell, unit) => {
    expect(parseUnit(cell)).toBe(unit);
  });

  it.each([
    ['Engine Speed (RPM)', 'engine_speed'],
    ['EngineSpeed', 'engine_speed'],
    ['EGT 1', 'egt_1'],
    ['Öl-Druck', 'ol_druck'],
    ['5V Supply', 'signal_5v_supply'],
    ['TPS %', 'tps_percent'],
  ])('name %j', (cell, name) => {
    expect(toSnakeName(cell)).toBe(name);
  });
});

describe('formulas', () => {
  it.each<[string, number, number]>([
    ['raw * 0.1 + 5', 0.1, 5],
    ['T = (x - 500) / 10', 0.1, -50],
    ['0.01x', 0.01, 0],
    ['x/100 km/h', 0.01, 0],
    ['x * 0.01 km/h', 0.01, 0],
    ['Value = raw*0.1 + 5 V', 0.1, 5],
    ['−40 + N', 1, -40],
    ['(x × 0,5) − 40 °C', 0.5, -40],
    ['2(x+1)/4', 0.5, 0.5],
    ['-x', -1, 0],
    ['x', 1, 0],
    ['100 - raw / 4', -0.25, 100],
  ])('%j is a straight line', (cell, factor, offset) => {
    const line = parseLinear(cell);
    expect(line?.factor).toBeCloseTo(factor, 12);
    expect(line?.offset).toBeCloseTo(offset, 12);
  });

  it.each([
    'x * x',
    '1 / x',
    'x ^ 2',
    'sqrt(x)',
    'x +',
    '(x',
    'see table 3',
    '',
    'x - x',
    'x / 0',
    'a * 2 + b',
    'x > 3',
    `${'('.repeat(99)}x`,
  ])('%j is none', (cell) => {
    expect(parseLinear(cell)).toBeUndefined();
  });

  it('scale a row that has no factor, are a plain factor where they are one, and stop the import where they are neither', () => {
    const { text, conflicts } = read('id,name,byte,formula\n0x10,a,0,raw * 0.1 - 40\n0x10,b,1,0.5 V/bit\n0x10,c,2,-\n0x10,d,3,x ^ 2');
    expect(text).toContain('{ name: a, bytes: 0, factor: 0.1, offset: -40 }');
    expect(text).toContain('{ name: b, bytes: 1, factor: 0.5 }');
    expect(text).toContain('{ name: c, bytes: 2 }');
    expect(conflicts.map(({ row, column }) => [row, column])).toEqual([[5, 'formula']]);
  });
});

describe('what is taken from other spellings', () => {
  it('pressures with what they count from, and a degree sign that is an ordinal one', () => {
    const { text } = read(
      'id,name,byte,unit\n0x10,a,0,psig\n0x10,b,1,kPa abs\n0x10,c,2,bar (g)\n0x10,d,3,PSIA\n0x10,e,4,ºC\n0x10,f,5,kPa\n0x10,h,6,mbar',
    );
    for (const said of [
      'name: a, bytes: 0, unit: psi, reference: gauge }',
      'name: b, bytes: 1, unit: kPa, reference: absolute }',
      'name: c, bytes: 2, unit: bar, reference: gauge }',
      'name: d, bytes: 3, unit: psi, reference: absolute }',
      'name: e, bytes: 4, unit: degC }',
      'name: f, bytes: 5, unit: kPa }',
      'name: h, bytes: 6, unit: mbar }',
    ])
      expect(text).toContain(said);
  });

  it('states where factors stand, and never as a factor', () => {
    const { text, conflicts } = read(
      'pgn,name,position,length,resolution\n61444,torque_mode,1.1,4 bits,16 states/4 bit\n61444,gear,1.5,4 bits,"0=off, 1=on"',
    );
    expect(conflicts).toEqual([]);
    expect(text).toContain('{ name: torque_mode, start_bit: 0, bit_length: 4 }');
    expect(text).toContain('{ name: gear, start_bit: 4, bit_length: 4, states: { 0: off, 1: on } }');
  });

  it('ids with prefix, suffix, in decimal, and above 11 bits', () => {
    const ids = (cells: string[]) =>
      framesOf(read(`id,name,byte\n${cells.map((cell, i) => `${cell},s${i},0`).join('\n')}\n`)).map(({ id }) => id);
    expect(ids(['0x4C0', '$4C1', '4C2h', '4C3'])).toEqual([0x4c0, 0x4c1, 0x4c2, 0x4c3]);
    expect(ids(['1216', '2000'])).toEqual([1216, 2000]);
    const [far] = framesOf(read('id,name,byte\n0x18FEEE00,a,0\n'));
    expect(far).toMatchObject({ id: 0x18feee00, extended: true });
  });

  it('says that plain digits could be hexadecimal, and believes a choice', () => {
    expect(read('id,name,byte\n640,a,0\n').notes[0]?.say).toContain('0x640');
    expect(framesOf(read('id,name,byte\n640,a,0\n', { idBase: 'hex' }))[0]?.id).toBe(0x640);
  });

  it('a table with bars, a divisor, bit ranges, states and raw values', () => {
    const table = read(`| ID | Parameter | Byte | Bits | Type | Divide by | Values | Error |
|----|-----------|------|------|------|-----------|--------|-------|
| 0x200 | Pressure | 0-1 | | uint16 BE | 10 | | 0xFFFF |
| 0x200 | Pump | 2 | 0 | | | 0=off, 1=on | |
| 0x200 | Gear | 2 | 4-7 | | | | |
`);
    expect(signalOf(table, 'pressure')).toMatchObject({ byteOrder: 'big', factor: 0.1, fault: [{ from: 0xffffn, to: 0xffffn }] });
    expect(signalOf(table, 'pump')).toMatchObject({
      startBit: 16,
      bitLength: 1,
      states: new Map([
        [0n, 'off'],
        [1n, 'on'],
      ]),
    });
    expect(signalOf(table, 'gear')).toMatchObject({ startBit: 20, bitLength: 4 });
  });

  it.each(['Start byte,Bytes', 'Bytes,Start byte'])('`Bytes` beside a start byte says how many (%s)', (headings) => {
    const cells = headings.startsWith('Start') ? '2,3' : '3,2';
    const signal = signalOf(read(`id,name,${headings},Endian\n0x100,pressure,${cells},big\n`), 'pressure');
    expect([signal.startBit, signal.bitLength]).toEqual([23, 24]);
  });

  it('`Bytes` that a person calls the place stays the place', () => {
    const signal = signalOf(read('id,name,Start byte,Bytes\n0x100,pressure,7,3\n', { columns: { byte: 'Bytes' } }), 'pressure');
    expect([signal.startBit, signal.bitLength]).toEqual([24, 8]);
  });

  it('columns that are named by hand', () => {
    const text = 'Kennung;Was;Wo\n0x300;Druck;0-1\n';
    expect(importTable(text, { device: 'box' })).toBeUndefined();
    const table = read(text, { columns: { id: 'Kennung', name: 'Was', byte: 'Wo' } });
    expect(signalOf(table, 'druck').bitLength).toBe(16);
  });
});

describe('conflicts', () => {
  it('are named by row, all at once, and marked in the preview', () => {
    const table = read(
      `id;name;bytes;dlc
0x100;egt 1;0-1;8
;egt 2;1-2;8
;egt 2;4;8
;far;7-8;8
;nowhere;zz;8
nonsense;lost;0;8
`,
      { countFrom: 0 },
    );
    expect(table.conflicts.map(({ row }) => row)).toEqual([3, 4, 5, 6, 7]);
    const [overlap, twice, outside, place, id] = table.conflicts.map(({ say }) => say);
    expect(overlap).toBe("'egt_2' overlaps 'egt_1' (row 2) in byte 1");
    expect(twice).toContain("a second channel 'egt_2' (first in row 3)");
    expect(outside).toContain('byte 8');
    expect(place).toContain("'zz'");
    expect(id).toContain("'nonsense'");
    expect(table.frames[0]?.signals.filter(({ conflict }) => conflict).map(({ row }) => row)).toEqual([3, 4, 5]);
  });

  it('a name that the program makes itself is one', () => {
    expect(read('id,name,byte\n0x100,engine running,0\n').conflicts[0]).toMatchObject({ row: 2 });
  });
});

describe('evenburn import-table', () => {
  const folder = mkdtempSync(join(tmpdir(), 'evenburn-table-'));
  const table = join(folder, 'table.csv');
  writeFileSync(table, 'id,name,bytes,unit,dlc\n0x100,oil pressure,0-1,kPa,8\n');
  const run = (...args: string[]) => spawnSync(process.execPath, ['server/start.mjs', 'import-table', ...args], { encoding: 'utf8' });

  it('writes a file that validates, and does not overwrite it unless told to', () => {
    const output = join(folder, 'pressure-box.yaml');
    expect(run(table, '-o', output)).toMatchObject({ status: 0, stdout: `${output}\n` });
    expect(readFileSync(output, 'utf8')).toContain('device: pressure-box');
    const again = run(table, '-o', output);
    expect(again.status).toBe(2);
    expect(again.stderr).toContain('--force');
    expect(run(table, '-o', output, '--force').status).toBe(0);
  });

  it('gives the file on standard output without -o', () => {
    expect(run(table).stdout).toContain('oil_pressure');
  });

  it('exits with 1 and writes nothing where rows conflict', () => {
    const bad = join(folder, 'bad.csv');
    writeFileSync(bad, 'id,name,bytes\n0x100,a,0-1\n0x100,b,1\n');
    const { status, stdout, stderr } = run(bad, '-o', join(folder, 'never.yaml'));
    expect([status, stdout]).toEqual([1, '']);
    expect(stderr).toContain(`${bad}: row 3: conflict: 'b' overlaps 'a' (row 2)`);
    expect(() => readFileSync(join(folder, 'never.yaml'))).toThrow();
  });

  it('exits with 3 for what is no table, and with 2 for a wrong option', () => {
    expect(run('package.json').status).toBe(3);
    expect(run(join(folder, 'absent.csv')).status).toBe(3);
    expect(run(table, '--count-from', '2').status).toBe(2);
    expect(run(table, '--columns', 'colour=red').status).toBe(2);
  });

  it('reads standard input', () => {
    const text = execFileSync(process.execPath, ['server/start.mjs', 'import-table', '-', '--device', 'one'], {
      input: 'id\tname\tbyte\n0x10\ta\t0\n',
      encoding: 'utf8',
      stdio: ['pipe', 'pipe', 'ignore'],
    });
    expect(text).toContain('device: one');
  });
});
