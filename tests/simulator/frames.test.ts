// The simulator's frames: the same from the same seed, in time order, at their periods, for any vehicle.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { toTextLog } from '../../server/exchange/text-log-writer.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { readScenario, runScenario } from '../doubles/simulated-run.ts';

const drive = `
scenario: drive
seed: 3
engine: { warming: 5 }
stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 5 s }
  - { stage: hold, for: 6 s, speed: 4000 rpm, load: 70 % }
`;

function textOf(scenario: string, turnUs: (index: number) => number): string {
  const vehicle = makeVehicle({ cylinders: 4, plenum: true });
  const simulation = new Simulation(vehicle, readScenario(scenario, vehicle));
  const batch = new FrameBatch();
  for (let toUs = 0, i = 0; !simulation.finished; i++) {
    toUs += turnUs(i);
    simulation.advance(toUs, batch);
  }
  return toTextLog(batch, ['can0']).toString('latin1');
}

describe('frames of the simulator', () => {
  it('are the same bytes for the same seed, wherever the steps are cut', () => {
    const whole = textOf(drive, () => 60e6);
    expect(whole.split('\n').length).toBeGreaterThan(2000);
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 1, max: 900_000 }), { minLength: 1, maxLength: 20 }), (cuts) => {
        expect(textOf(drive, (i) => cuts[i % cuts.length] as number) === whole).toBe(true);
      }),
      { numRuns: 8, seed: 11 },
    );
  });

  it('differ with the seed', () => {
    expect(textOf(drive.replace('seed: 3', 'seed: 4'), () => 60e6) === textOf(drive, () => 60e6)).toBe(false);
  });

  it('come in time order over all buses, and none before its device can have booted', () => {
    const { batch } = runScenario(drive, makeVehicle());
    for (let i = 1; i < batch.count; i++) expect(batch.timeUs[i] as number).toBeGreaterThanOrEqual(batch.timeUs[i - 1] as number);
    expect(batch.timeUs[0] as number).toBeGreaterThan(50_000);
  });

  it('keep their period within a millisecond, once their device is up, and devices are up within a second of key-on', () => {
    const run = runScenario(drive, makeVehicle());
    for (const [frame, period] of [
      ['ecu_fast', 0.02],
      ['egt_0', 0.05],
      ['ecu_slow', 0.1],
      ['pressures', 0.02],
    ] as const) {
      const times = run.times(frame);
      expect(times[0]).toBeLessThan(1.1);
      const gaps = times.slice(1).map((s, i) => s - (times[i] as number));
      expect(Math.max(...gaps)).toBeLessThan(period + 0.003);
      expect(((times.at(-1) as number) - (times[0] as number)) / (times.length - 1)).toBeCloseTo(period, 4);
    }
  });

  it('send a frame without a period now and then', () => {
    const times = runScenario(drive, makeVehicle()).times('ecu_event');
    expect(times.length).toBeGreaterThan(1);
    expect(times.length).toBeLessThan(60);
  });

  it('count up by one in a counter, and go through every page', () => {
    const run = runScenario(drive, makeVehicle());
    const counts = run.values('box_counter');
    for (let i = 1; i < counts.length; i++) expect(counts[i]).toBe(((counts[i - 1] as number) + 1) % 16);
    expect(new Set(run.values('page'))).toEqual(new Set([0, 1, 2]));
    expect(run.mean('box_temp')).toBeGreaterThan(15);
    expect(run.mean('box_supply', 10)).toBeCloseTo(14, 0);
  });

  it('stop when the key is off', () => {
    const run = runScenario(`scenario: off\nstages: [{ stage: key_on, for: 3 s }, { stage: key_off, for: 4 s }]`, makeVehicle());
    expect((run.batch.timeUs[run.batch.count - 1] as number) / 1e6).toBeLessThan(3.6);
  });

  it.each([1, 2, 3, 5, 6, 8, 10, 12, 16])('drive an engine of %i cylinders, every probe of which gets hot', (cylinders) => {
    const run = runScenario(drive, makeVehicle({ cylinders, plenum: cylinders > 1 }));
    for (let n = 1; n <= cylinders; n++) {
      expect(run.mean(`egt_${n}`, 0, 3)).toBeLessThan(30);
      expect(run.mean(`egt_${n}`, 12, 14)).toBeGreaterThan(450);
    }
  });

  it('drive a V8 with a probe missing and nothing else', () => {
    const vehicle = makeVehicle({ cylinders: 8, banks: { left: [1, 3, 5, 7], right: [2, 4, 6, 8] }, withoutProbe: [3] });
    const run = runScenario(`${drive}distribution: { bank: { left: 25 K } }`, vehicle);
    const bank = (cylinders: number[]): number => cylinders.reduce((sum, n) => sum + run.mean(`egt_${n}`, 12, 14), 0) / cylinders.length;
    expect(bank([1, 5, 7]) - bank([2, 4, 6, 8])).toBeGreaterThan(8);
  });

  it('send J1939 groups with priority, group and source address, and read published layouts back sensibly', () => {
    const { vehicle, problems } = parseVehicle([
      { path: 'vehicle.yaml', text: 'vehicle: Truck\nbuses:\n  hull: { bit_rate: 250 kbit/s, devices: [engine] }\n' },
      {
        path: 'devices/engine.yaml',
        text: `
device: engine
title: Engine
j1939: true
frames:
  - { name: eec1, pgn: 61444, source_address: 0, length: 8, period: 20 ms, signals: [ { name: engine_speed, bytes: 3..4, factor: 0.125, unit: rpm } ] }
  - { name: request, pgn: 0xEA00, source_address: 3, length: 3, period: 1 s, signals: [ { name: asked, bytes: 0..1 } ] }
`,
      },
    ]);
    if (!vehicle) throw new Error(JSON.stringify(problems));
    const run = runScenario(drive, vehicle);
    const ids = new Set(Array.from(run.batch.id.subarray(0, run.batch.count)).map((id) => id.toString(16)));
    // Priority 6; group F004 of address 0; group EA00 to everybody (FF) from address 3. Source: SAE J1939-21 id layout as quoted by the Linux kernel documentation.
    expect(ids).toEqual(new Set(['18f00400', '18eaff03']));
    expect(run.mean('engine_speed', 12, 14)).toBeCloseTo(4000, -2);
  });

  it('carry FD frames at a length that FD has', () => {
    const { vehicle, problems } = parseVehicle([
      { path: 'vehicle.yaml', text: 'vehicle: Fd\nbuses:\n  main: { bit_rate: 500 kbit/s, data_bit_rate: 2 Mbit/s, devices: [node] }\n' },
      {
        path: 'devices/node.yaml',
        text: 'device: node\ntitle: Node\nframes:\n  - { name: long, id: 0x55, fd: true, length: 24, period: 100 ms, signals: [ { name: far_end, bytes: 20..23, sign: float, unit: kPa } ] }\n',
      },
    ]);
    if (!vehicle) throw new Error(JSON.stringify(problems));
    const run = runScenario('scenario: fd\nstages: [{ stage: key_on, for: 3 s }]', vehicle);
    expect(new Set(run.batch.length.subarray(0, run.batch.count))).toEqual(new Set([24]));
    expect(run.batch.count).toBeGreaterThan(15);
  });
});
