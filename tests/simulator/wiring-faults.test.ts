// Each fault of devices and wiring shows on the bus as it does on a real one, and a healthy bus shows none.
import { describe, expect, it } from 'vitest';
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { parseFault } from '../../server/simulator/scenario-faults.ts';
import { Simulation } from '../../server/simulator/simulator.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';
import { type Run, readScenario, runScenario } from '../doubles/simulated-run.ts';

const vehicle = makeVehicle();
const rest = 'scenario: t\nseed: 9\nstages: [{ stage: key_on, for: 20 s }]\n';
const withFault = (fault: string, text = rest, on = vehicle): Run => runScenario(`${text}faults: [{ ${fault} }]\n`, on);
const healthy = runScenario(rest, vehicle);

// Error class bits and places in a frame: Linux include/uapi/linux/can/error.h.
const protocolClass = 0x008;
const controllerClass = 0x004;
const acknowledgeDelimiter = 0x1b;

const gapMax = (times: number[]): number => Math.max(...times.slice(1).map((s, i) => s - (times[i] as number)));
const between = (times: number[], from: number, to: number): number => times.filter((s) => s >= from && s < to).length;
const egt = (run: Run): number[] => run.times('egt_0');

describe('a healthy bus', () => {
  it('reports no error frame, with any of thirty seeds', () => {
    for (let seed = 1; seed <= 30; seed++) expect(runScenario(rest.replace('seed: 9', `seed: ${seed}`), vehicle, 6).errors()).toEqual([]);
  });
});

describe('faults of devices', () => {
  it('a silent device falls silent alone, and comes back when it is over', () => {
    const run = withFault('fault: device_silent, device: egt-box, from: 5 s, to: 9 s');
    expect(between(egt(run), 5.01, 9)).toBe(0);
    expect(between(egt(run), 10, 11)).toBe(20);
    expect(run.times('egt_pages').filter((s) => s > 5.01 && s < 9)).toEqual([]);
    expect(run.times('pressures').length).toBe(healthy.times('pressures').length);
  });

  it('a late device keeps a longer period', () => {
    const run = withFault('fault: device_late, device: egt-box, period: 200 %, from: 5 s');
    expect(between(egt(run), 6, 16)).toBeCloseTo(100, -1);
  });

  it('a restarting device leaves gaps, after which its counter begins again', () => {
    const run = withFault('fault: device_restarting, device: egt-box, every: 4 s');
    const times = run.times('egt_pages');
    const counts = run.values('box_counter');
    const afterGap = times.flatMap((s, i) => (i > 0 && s - (times[i - 1] as number) > 0.4 ? [counts[i]] : []));
    expect(afterGap.length).toBeGreaterThanOrEqual(3);
    expect(afterGap.every((count) => count === 0)).toBe(true);
    expect(gapMax(run.times('pressures'))).toBeLessThan(0.05);
  });

  it('a brown-out takes a device away while the starter turns', () => {
    const text = 'scenario: t\nstages: [{ stage: key_on, for: 3 s }, { stage: oil_crank, for: 4 s }]\n';
    const run = withFault('fault: brown_out, device: egt-box, below: 11.5 V', text);
    expect(between(egt(run), 3.2, 6.9)).toBe(0);
    expect(between(egt(run), 2, 3)).toBe(20);
    expect(between(run.times('ecu_fast'), 4, 5)).toBe(50);
  });

  it('one silent frame leaves the others of its device', () => {
    const run = withFault('fault: frame_silent, frame: ecu_fuel');
    expect(run.times('ecu_fuel')).toEqual([]);
    expect(run.times('ecu_fast').length).toBe(healthy.times('ecu_fast').length);
  });

  it('a short frame is as many bytes short, from then on', () => {
    const run = withFault('fault: frame_shortened, frame: pressures, bytes: 3, from: 8 s');
    const lengths = run.framesOf('pressures').map((i) => [(run.batch.timeUs[i] as number) / 1e6, run.batch.length[i]] as const);
    expect(new Set(lengths.filter(([s]) => s < 8).map(([, length]) => length))).toEqual(new Set([8]));
    expect(new Set(lengths.filter(([s]) => s >= 8.01).map(([, length]) => length))).toEqual(new Set([5]));
  });

  it('a frozen payload moved, and then stopped for good, counter and all', () => {
    const run = withFault('fault: frozen_payload, frame: egt_pages, from: 8 s');
    const hex = (from: number, to: number): Set<string> =>
      new Set(
        run
          .framesOf('egt_pages')
          .filter((i) => (run.batch.timeUs[i] as number) / 1e6 >= from && (run.batch.timeUs[i] as number) / 1e6 < to)
          .map((i) => Buffer.from(run.batch.bytesOf(i)).toString('hex')),
      );
    expect(hex(0, 8).size).toBeGreaterThan(10);
    expect(hex(8.2, 20).size).toBe(1);
  });

  it('a stuck counter stays, a skipping one leaves numbers out', () => {
    expect(new Set(withFault('fault: counter_stuck, frame: egt_pages, from: 8 s').values('box_counter', 8.2)).size).toBe(1);
    const skips = (run: Run): number =>
      run.values('box_counter').filter((count, i, all) => i > 0 && count !== ((all[i - 1] as number) + 1) % 16).length;
    expect(skips(withFault('fault: counter_skips, frame: egt_pages, every: 1 s'))).toBeGreaterThan(5);
    expect(skips(healthy)).toBe(0);
  });

  it('a second talker doubles the frames of an id, with payloads that alternate', () => {
    const run = withFault('fault: two_talkers, frame: egt_0');
    expect(egt(run).length).toBeGreaterThan(1.9 * egt(healthy).length);
    const first = run.framesOf('egt_0').map((i) => run.batch.data[run.batch.offset[i] as number]);
    expect(new Set(first).size).toBeGreaterThan(1);
  });

  it('an id that nobody described comes at its period', () => {
    const run = withFault('fault: unknown_id, id: 0x3AB, period: 200 ms');
    const count = run.all().filter((i) => run.batch.id[i] === 0x3ab).length;
    expect(count).toBeGreaterThan(90);
    expect(count).toBeLessThan(105);
  });
});

describe('faults of the trunk', () => {
  it('a break takes away what lies beyond it as the listener sees it, and counters run on meanwhile', () => {
    const run = withFault('fault: trunk_break, stretch: [bench plug, egt-box], from: 5 s, to: 8 s');
    expect(between(egt(run), 5.01, 8)).toBe(0);
    expect(between(run.times('pressures'), 5.01, 8)).toBe(0);
    expect(between(run.times('ecu_fast'), 5.01, 8)).toBeGreaterThan(140);
    const before = run.samples('box_counter', 0, 5).at(-1);
    const after = run.samples('box_counter', 8).at(0);
    const missed = Math.round(((after?.s as number) - (before?.s as number)) / 0.1);
    expect(after?.value).toBe(((before?.value as number) + missed) % 16);
    const other = withFault('fault: trunk_break, stretch: engine-ecu - bench plug, from: 5 s');
    expect(between(other.times('ecu_fast'), 5.1, 20)).toBe(0);
    expect(between(egt(other), 6, 7)).toBeGreaterThan(17);
  });

  it('a loose connector takes them away now and then, together, with errors as it moves', () => {
    const run = withFault('fault: intermittent_connector, stretch: [egt-box, pressure-box], every: 1 s, from: 4 s');
    const gaps = run.times('pressures').filter((s, i, all) => i > 0 && s - (all[i - 1] as number) > 0.05);
    expect(gaps.length).toBeGreaterThan(3);
    expect(gapMax(egt(run).filter((s) => s > 2))).toBeLessThan(0.08);
    expect(run.errors().length).toBeGreaterThan(5);
    expect(run.errors().every(({ s }) => s >= 4)).toBe(true);
  });

  it('a missing terminator spoils more than a third one, and more on a faster bus; every frame is still heard', () => {
    const errors = (fault: string, bitRate: string): number => withFault(`fault: ${fault}`, rest, makeVehicle({ bitRate })).errors().length;
    const missing = errors('missing_terminator', '500 kbit/s');
    expect(missing).toBeGreaterThan(100);
    expect(errors('third_terminator', '500 kbit/s')).toBeLessThan(missing / 2);
    expect(errors('third_terminator', '500 kbit/s')).toBeGreaterThan(5);
    expect(errors('missing_terminator', '1 Mbit/s')).toBeGreaterThan(missing * 2);
    const run = withFault('fault: missing_terminator');
    expect(run.times('ecu_fast').length).toBeGreaterThan(healthy.times('ecu_fast').length - 2);
    expect(run.errors().every(({ classes }) => (classes & (protocolClass | controllerClass)) !== 0)).toBe(true);
  });

  it('noise spoils as many frames a second as it says', () => {
    const count = withFault('fault: bus_noise, rate: 10 Hz, from: 5 s').errors().length;
    expect(count).toBeGreaterThan(100);
    expect(count).toBeLessThan(210);
  });

  it('a device at another bit rate is never heard, and its tries are errors', () => {
    const run = withFault('fault: wrong_bit_rate, device: egt-box');
    expect(egt(run)).toEqual([]);
    expect(run.errors().length).toBeGreaterThan(100);
    expect(between(run.times('ecu_fast'), 10, 15)).toBeGreaterThan(240);
  });

  it('a device alone repeats one frame back to back, after errors at the acknowledge delimiter', () => {
    const run = withFault('fault: alone, device: egt-box');
    const errors = run.errors().filter(({ classes }) => (classes & protocolClass) !== 0);
    expect(errors.length).toBe(16);
    expect(errors.every(({ bytes }) => bytes[3] === acknowledgeDelimiter)).toBe(true);
    const data = run.all().filter((i) => ((run.batch.flags[i] as number) & frameFlag.error) === 0);
    expect(new Set(data.map((i) => run.batch.id[i])).size).toBe(1);
    const lastS = (run.batch.timeUs[run.batch.count - 1] as number) / 1e6;
    const firstS = (run.batch.timeUs[data[0] as number] as number) / 1e6;
    // About 3,600 a second at 500 kbit/s.
    expect(data.length / (lastS - firstS)).toBeGreaterThan(3300);
    expect(data.length / (lastS - firstS)).toBeLessThan(3900);
  });
});

describe('a running simulation', () => {
  it('takes a fault from now on, and gives it up again', () => {
    const simulation = new Simulation(vehicle, readScenario(rest, vehicle));
    const batch = new FrameBatch();
    simulation.advance(5e6, batch);
    const { fault } = parseFault('{ "fault": "device_silent", "device": "egt-box" }', vehicle);
    if (!fault) throw new Error('the fault is right');
    const { fromUs: _from, ...now } = fault;
    simulation.inject(now);
    simulation.advance(8e6, batch);
    simulation.mend();
    simulation.advance(12e6, batch);
    const times: number[] = [];
    for (let i = 0; i < batch.count; i++) if (batch.id[i] === 0x200) times.push((batch.timeUs[i] as number) / 1e6);
    expect(between(times, 3, 5)).toBe(40);
    expect(between(times, 5.05, 8)).toBe(0);
    expect(between(times, 9, 11)).toBe(40);
  });

  it('says what is wrong with a fault that it does not know', () => {
    const { fault, problems } = parseFault('{ "fault": "device_silent", "device": "egt-bix" }', vehicle);
    expect(fault).toBeUndefined();
    expect(problems.map(({ line, column, found }) => ({ line, column, found }))).toEqual([{ line: 1, column: 39, found: '"egt-bix"' }]);
  });
});
