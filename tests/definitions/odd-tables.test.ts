import { expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { importTable } from '../../server/definitions/table-import.ts';
import type { Frame, Signal } from '../../server/definitions/vehicle.ts';
import { oddTables } from './odd-tables.ts';

function toIdText({ id, pgn, extended }: Frame): string {
  if (pgn !== undefined) return `g${pgn}`;
  return `0x${(id ?? 0).toString(16).toUpperCase().padStart(3, '0')}${extended ? 'x' : ''}`;
}

function toText(frame: Frame, signal: Signal): string {
  const { name, startBit, bitLength, byteOrder, sign, factor, offset, unit, when } = signal;
  const conditions = when
    .map(({ signal: of, ranges }) => `${of}=${ranges.map(({ from, to }) => (from === to ? `${from}` : `${from}..${to}`)).join('|')}`)
    .join(' ');
  const place = `${startBit}:${bitLength}${byteOrder === 'big' ? 'be' : 'le'}`;
  return `${toIdText(frame)} ${name} ${place} ${sign[0]} ${factor} ${offset} ${unit}${conditions === '' ? '' : ` when ${conditions}`}`;
}

it.each(oddTables)('reads a table that is $is', ({ text, options, signals, frames = {} }) => {
  const table = importTable(text, { device: 'box', ...options });
  expect(table?.conflicts).toEqual([]);
  const { vehicle } = parseVehicle([
    { path: 'vehicle.yaml', text: 'vehicle: V\nbuses:\n  b: { bit_rate: 1 Mbit/s, devices: [box] }\n' },
    { path: 'devices/box.yaml', text: table?.text ?? '' },
  ]);
  const read = vehicle?.buses[0]?.frames ?? [];
  expect(read.flatMap((frame) => frame.signals.map((signal) => toText(frame, signal)))).toEqual(signals);
  for (const [id, { name, lengthBytes, periodMs }] of Object.entries(frames)) {
    const frame = read.find((one) => toIdText(one) === id);
    if (name !== undefined) expect(frame?.name).toBe(name);
    if (lengthBytes !== undefined) expect(frame?.lengthBytes).toBe(lengthBytes);
    expect(frame?.periodUs).toBe(periodMs === undefined ? undefined : periodMs * 1000);
  }
});

const conflictsOf = (text: string) => importTable(text, { device: 'box' })?.conflicts.map(({ row, column, say }) => ({ row, column, say }));

it('leaves limits called high and low two signals', () => {
  const table = importTable('ID,Name,Byte\n0x100,Alert high,0\n0x100,Alert low,1\n', { device: 'box' });
  expect(table?.frames[0]?.signals.map(({ name }) => name)).toEqual(['alert_high', 'alert_low']);
});

it('says which cell is to blame where a scaling measures something else, a condition says nothing, or nothing selects', () => {
  expect(conflictsOf('ID,Name,Byte,Factor,Unit\n0x100,p,0,100 mV/bit,kPa\n')).toEqual([
    { row: 2, column: 'Factor', say: "'100 mV/bit' is in mV, and the signal in kPa" },
  ]);
  expect(conflictsOf('ID,Name,Byte,Mux\n0x100,p,0,sometimes\n')).toEqual([
    { row: 2, column: 'Mux', say: "'sometimes' doesn't say when a signal is present" },
  ]);
  expect(conflictsOf('ID,Name,Byte,Mux\n0x100,p,0,m1\n')).toEqual([
    { row: 2, column: 'Mux', say: "nothing tells which signal of frame 'frame_100' 'p' depends on" },
  ]);
});

it('says what it took two rows, and two names, for', () => {
  const notes = importTable('ID,Frame,Name,Byte,DLC\n0x100,a,T msb,0,2\n,,T lsb,1,2\n0x101,b,T,0,1\n', { device: 'box' })?.notes;
  expect(notes?.map(({ say }) => say)).toEqual([
    "rows 2 and 3 are taken as the two bytes of 't'",
    "there is a 't' in frame 'a' too: this one is called 'b_t'",
  ]);
});

it.each([
  ['dashes', `a${'-'.repeat(20_000)}`],
  ['digits', `${'1'.repeat(20_000)}!`],
  ['points', '1.'.repeat(10_000)],
  ['brackets', '('.repeat(20_000)],
  ['states', '1=a '.repeat(5000)],
  ['conditions', 'a=1 and '.repeat(2500)],
])('comes through a cell of 20,000 letters of %s in any column', (_, cell) => {
  const headings = [
    'ID',
    'Name',
    'Byte',
    'Bit',
    'Factor',
    'Offset',
    'Mux',
    'States',
    'Type',
    'Formula',
    'Unit',
    'Range',
    'Byte order',
    'Invalid',
  ];
  for (const heading of headings) {
    const row = headings.map((one) => (one === heading ? `"${cell}"` : ({ ID: '0x100', Name: 'a', Byte: '0' }[one] ?? '')));
    expect(importTable(`${headings.join(';')}\n${row.join(';')}\n`, { device: 'box' })?.headingRow).toBe(1);
  }
});
