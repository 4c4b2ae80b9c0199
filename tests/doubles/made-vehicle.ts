// Vehicles made for tests: any number of cylinders and banks on one bus, written as definition files and read by the real loader.

import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { toProblemLine } from '../../server/definitions/problem.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

export interface MadeVehicle {
  cylinders?: number;
  /** Bank name → cylinders, front to back; one bank of all by default. */
  banks?: Record<string, number[]>;
  /** Cylinders without a probe. */
  withoutProbe?: number[];
  bitRate?: string;
  /** More lines of vehicle.yaml. */
  more?: string;
  electrical?: string;
  /** A channel, a value or an altitude; the channel of the controller by default. */
  barometer?: string;
  fuel?: string;
  /** A second, batch-fired set upstream of the throttle, in two groups. */
  plenum?: boolean;
  /** No fault value for an open probe. */
  withoutOpenCode?: boolean;
}

const range = (from: number, to: number): number[] => Array.from({ length: to - from + 1 }, (_, i) => from + i);

/** Devices along the trunk: terminator, engine-ecu, bench plug (the listener), egt-box, pressure-box, terminator. */
export function makeVehicle(made: MadeVehicle = {}): Vehicle {
  const cylinders = made.cylinders ?? 4;
  const files = [
    { path: 'vehicle.yaml', text: vehicleText(made, cylinders) },
    { path: 'devices/engine-ecu.yaml', text: ecuText() },
    { path: 'devices/egt-box.yaml', text: boxText(cylinders, made.withoutOpenCode === true) },
    { path: 'devices/pressure-box.yaml', text: pressureText() },
  ];
  const { vehicle, problems } = parseVehicle(files);
  if (!vehicle) throw new Error(problems.map((problem) => toProblemLine(problem)).join('\n'));
  return vehicle;
}

function vehicleText(made: MadeVehicle, cylinders: number): string {
  const all = range(1, cylinders);
  const banks = made.banks ?? { main: all };
  const probes = all.filter((n) => !made.withoutProbe?.includes(n));
  const half = Math.ceil(cylinders / 2);
  const plenum = `
  plenum: { pulse: plenum_pulse, pulse_is: per event, injections_per_cycle: 2, flow: 1200 cc/min at 300 kPa, dead_time: 1.0 ms, rail: plenum_rail,
    discharge: station_pressure, target: 300 kPa, plans: { as-built: { A: [${range(1, half)}], B: [${range(half + 1, cylinders)}] },
    odd-even: { A: [${all.filter((n) => n % 2 === 1)}], B: [${all.filter((n) => n % 2 === 0)}] } }, plan: as-built }`;
  return `
vehicle: Made
fuel: ${made.fuel ?? 'petrol'}
electrical: ${made.electrical ?? '{ nominal: 12 V, charging: true }'}
buses:
  main: { bit_rate: ${made.bitRate ?? '500 kbit/s'}, interface: can0, devices: [engine-ecu, egt-box, pressure-box] }
trunk:
  main: [terminator, engine-ecu, { listener: bench plug }, egt-box, { device: pressure-box, terminator: inside }]
engine:
  cylinders: ${cylinders}
  banks: { ${Object.entries(banks).map(([name, list]) => `${name}: [${list}]`)} }
  speed: engine_speed
  throttle: throttle
  manifold_pressure: manifold_pressure
  barometer: ${made.barometer ?? 'station_pressure'}
  lambda: { ${Object.keys(banks).map((name) => `${name}: lambda_1`)} }
  timing: spark_timing
  cut: fuel_cut
  exhaust_temps: { ${probes.map((n) => `${n}: { channel: egt_${n}, lag: 0.8..0.8 s, probe: T-${n} }`).join(', ')} }
injector_sets:
  port: { pulse: port_pulse, pulse_is: per event, injections_per_cycle: 1, cylinders: [${all}], flow: 600 cc/min at 300 kPa, dead_time: 1.0 ms,
    rail: rail_pressure, discharge: manifold_pressure, target: 300 kPa }${made.plenum ? plenum : ''}
supplies: { sensors: [oil_pressure, rail_pressure] }
${made.more ?? ''}
`;
}

function ecuText(): string {
  return `
device: engine-ecu
title: Engine controller
frames:
  - { name: ecu_fast, id: 0x120, length: 8, period: 20 ms, counter: ecu_counter, signals: [
      { name: engine_speed, bytes: 0..1, unit: rpm }, { name: throttle, bytes: 2..3, factor: 0.01, unit: "%" },
      { name: manifold_pressure, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute, min: 10, max: 300 },
      { name: fuel_cut, start_bit: 48, bit_length: 1 }, { name: sync_state, start_bit: 50, bit_length: 2 }, { name: ecu_counter, bytes: 7 } ] }
  - { name: ecu_fuel, id: 0x121, length: 8, period: 20 ms, signals: [
      { name: port_pulse, bytes: 0..1, factor: 0.001, unit: ms }, { name: plenum_pulse, bytes: 2..3, factor: 0.001, unit: ms },
      { name: lambda_1, bytes: 4..5, factor: 0.001, unit: lambda }, { name: spark_timing, bytes: 6..7, sign: signed, factor: 0.1, unit: deg } ] }
  - { name: ecu_slow, id: 0x122, length: 8, period: 100 ms, signals: [
      { name: coolant_temp, bytes: 0, offset: -40, unit: degC }, { name: oil_temp, bytes: 1, offset: -40, unit: degC },
      { name: battery_voltage, bytes: 2..3, factor: 0.001, unit: V }, { name: station_pressure, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute },
      { name: sync_loss_count, bytes: 6, unit: count } ] }
  - { name: ecu_event, id: 0x123, length: 2, signals: [ { name: event_number, bytes: 0, unit: count } ] }
`;
}

function boxText(cylinders: number, withoutOpenCode: boolean): string {
  const frames = range(0, Math.ceil(cylinders / 4) - 1).map((frame) => {
    const signals = range(frame * 4 + 1, Math.min(cylinders, frame * 4 + 4)).map((n, i) => {
      const open = withoutOpenCode ? '' : ', fault: 0xFFFF';
      return `{ name: egt_${n}, bytes: ${2 * i}..${2 * i + 1}, byte_order: big, factor: 0.1, offset: -300, unit: degC${open} }`;
    });
    return `  - { name: egt_${frame}, id: ${0x200 + frame}, length: 8, period: 50 ms, signals: [ ${signals.join(', ')} ] }`;
  });
  return `
device: egt-box
title: Exhaust temperatures
frames:
${frames.join('\n')}
  - { name: egt_pages, id: 0x210, length: 3, period: 100 ms, counter: box_counter, signals: [
      { name: box_counter, start_bit: 0, bit_length: 4 }, { name: page, start_bit: 4, bit_length: 4 },
      { name: box_temp, bytes: 1..2, factor: 0.1, offset: -40, unit: degC, when: { page: 0 } },
      { name: box_supply, bytes: 1..2, factor: 0.01, unit: V, when: { page: 1..2 } } ] }
`;
}

function pressureText(): string {
  return `
device: pressure-box
title: Pressures
frames:
  - { name: pressures, id: 0x300, length: 8, period: 20 ms, signals: [
      { name: oil_pressure, bytes: 0..1, factor: 0.1, offset: -20, unit: kPa, reference: gauge }, { name: rail_pressure, bytes: 2..3, factor: 0.1, offset: -20, unit: kPa, reference: gauge },
      { name: plenum_rail, bytes: 4..5, factor: 0.1, offset: -20, unit: kPa, reference: gauge } ] }
`;
}
