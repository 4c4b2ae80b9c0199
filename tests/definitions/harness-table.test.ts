// A wiring table becomes a harness file: as people write such tables, and what can't be right is told by row.
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { harnessFields, importHarnessTable } from '../../server/definitions/harness-table.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { findContradictions, type Harness, readHarness } from '../../server/harness/harness.ts';

const vehicleFile = {
  path: 'vehicle.yaml',
  text: 'vehicle: Bench\nbuses: { main: { bit_rate: 500 kbit/s, devices: [] } }\n',
};

/** The harness that a vehicle has with the imported file; every fault of the file fails. */
function harnessOf(table: string): Harness {
  const imported = importHarnessTable(table, 'Bench harness');
  expect(imported?.conflicts).toEqual([]);
  const { vehicle, problems } = parseVehicle([vehicleFile, { path: 'harness.yaml', text: imported?.text ?? '' }]);
  expect(problems.filter(({ file }) => file === 'harness.yaml')).toEqual([]);
  const harness = vehicle && readHarness(vehicle);
  if (!harness) throw new Error('no harness');
  return harness;
}

describe('a wiring table', () => {
  it('with a column for each pin is read with titles, sizes, fuses and loads', () => {
    const harness = harnessOf(`From;From pin;To;To pin;Circuit;Function;AWG;Length (mm);Colour;Fuse;Load
ECU A;12;Bulkhead;A1;Inj 1 feed;Feed of injector 1;20;1600;White/Brown;F3 (15 A);1,2 A
Bulkhead;A1;Injector 1;1;Inj 1 feed;;20;620;White/Brown;F3;
`);
    expect(harness.connectors.map(({ name, title, pins }) => [name, title, pins])).toEqual([
      ['ecu-a', 'ECU A', ['12']],
      ['bulkhead', 'Bulkhead', ['A1']],
      ['injector-1', 'Injector 1', ['1']],
    ]);
    expect(harness.wires[1]).toMatchObject({ from: 'bulkhead.A1', to: 'injector-1.1', circuit: 'inj-1-feed', lengthM: 0.62, fuse: 'f3' });
    expect(harness.wires[1]?.colour).toBe('white/brown');
    // AWG 20 by ASTM B258.
    expect(harness.wires[0]?.areaMm2).toBeCloseTo(0.5176, 4);
    expect(harness.circuits).toEqual([{ name: 'inj-1-feed', title: 'Feed of injector 1', loadA: 1.2 }]);
    expect(harness.fuses).toEqual([{ name: 'f3', title: 'f3', ratingA: 15 }]);
    expect(findContradictions(harness)).toEqual([]);
  });

  it.each([
    ['ecu.12', 'ecu.12'],
    ['ECU:12', 'ecu.12'],
    ['ECU-12', 'ecu.12'],
    ['ECU A pin 12', 'ecu-a.12'],
    ['ECU A A12', 'ecu-a.A12'],
    ['Bulkhead X1/B3', 'bulkhead-x1.B3'],
  ])('with connector and pin in one cell (%s) is read too', (cell, end) => {
    expect(harnessOf(`From,To\n${cell},lamp.1\n`).wires[0]?.from).toBe(end);
  });

  it.each([
    ['Length', '1.6 m', 1.6],
    ['Length', '24 in', 0.6096],
    ['Length [cm]', '62', 0.62],
    ['Length (ft)', '2', 0.6096],
  ])('has its lengths in the unit of cell or heading (%s, %s)', (heading, cell, metres) => {
    expect(harnessOf(`From\tTo\t${heading}\na.1\tb.1\t${cell}\n`).wires[0]?.lengthM).toBeCloseTo(metres, 9);
  });

  it.each([
    ['Gauge', '0.5 mm²', 0.5],
    ['Gauge (mm2)', '0,75', 0.75],
    ['Gauge', '20 AWG', 0.5176],
    ['Wire size', '18', 0.823],
  ])('has its cross-sections as AWG or area (%s, %s)', (heading, cell, area) => {
    expect(harnessOf(`From\tTo\t${heading}\na.1\tb.1\t${cell}\n`).wires[0]?.areaMm2).toBeCloseTo(area, 4);
  });

  it('keeps alloy and polarity of thermocouple wire', () => {
    const harness = harnessOf(
      'From,To,Alloy,Polarity,Channel,Circuit\namp.1p,probe.p,K,+,egt_1,probe 1\namp.1n,probe.n,K,neg,egt_1,probe 1\n',
    );
    expect(harness.wires.map(({ alloy, polarity }) => [alloy, polarity])).toEqual([
      ['K', 'positive'],
      ['K', 'negative'],
    ]);
    expect(harness.circuits[0]).toMatchObject({ name: 'probe-1', channel: 'egt_1' });
  });

  it('tells by row and column what cannot be right', () => {
    const table = importHarnessTable('From,To,Length,Gauge,Polarity\nnowhere,b.1,1 m,20,\na.1,b.1,5,20,\na.2,b.2,1 m,0.35,left\n', 'x');
    expect(table?.conflicts.map(({ row, column, say }) => [row, column, say])).toEqual([
      [2, 'From', "'nowhere' names no connector and pin"],
      [3, 'Length', "'5' has no unit"],
      [4, 'Gauge', "'0.35' is no AWG number"],
      [4, 'Polarity', "'left' is no leg of a thermocouple"],
    ]);
  });

  it('without headings that say from where to where is none', () => {
    expect(importHarnessTable('id,name,byte\n0x100,oil,0\n', 'x')).toBeUndefined();
    expect(importHarnessTable('A,B\na.1,b.1\n', 'x', { from: 'A', to: 'B' })?.wires).toBe(1);
  });

  it('has its headings documented, each of them', () => {
    const page = readFileSync(new URL('../../docs/harness.md', import.meta.url), 'utf8');
    for (const [field, names] of Object.entries(harnessFields)) {
      const row = page.split('\n').find((line) => line.startsWith(`| \`${field}\` |`));
      expect(
        row
          ?.split('|')[2]
          ?.split(',')
          .map((name) => name.trim()),
      ).toEqual([...names]);
    }
  });
});
