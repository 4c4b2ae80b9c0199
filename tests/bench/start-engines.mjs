// Engines for the bench of the first start: 1 to 16 cylinders in one or two banks, any battery, some without all their probes.
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';

const range = (count) => Array.from({ length: count }, (_, i) => i + 1);

/**
 * @param withoutProbe Cylinders that have none. @param electrical As in vehicle.yaml.
 */
export function startEngine({ cylinders, withoutProbe = [], electrical = '{ nominal: 12 V, charging: true, chemistry: agm }' }) {
  const all = range(cylinders);
  const half = Math.ceil(cylinders / 2);
  const banks = cylinders < 6 ? `{ main: [${all}] }` : `{ left: [${all.slice(0, half)}], right: [${all.slice(half)}] }`;
  const probes = all.filter((n) => !withoutProbe.includes(n)).map((n) => `${n}: { channel: egt_${n}, place: port, probe: T-${n} }`);
  const boxes = range(Math.ceil(cylinders / 4)).map((box) => {
    const inBox = all
      .slice(4 * box - 4, 4 * box)
      .map((n, i) => `{ name: egt_${n}, bytes: ${2 * i}..${2 * i + 1}, factor: 0.1, offset: -200, unit: degC, fault: 0xFFFF }`);
    return `  - { name: egt_frame_${box}, id: ${0x500 + box}, length: 8, period: 50 ms, signals: [ ${inBox.join(', ')} ] }`;
  });
  const { vehicle, problems } = parseVehicle([
    {
      path: 'vehicle.yaml',
      text: `vehicle: Bench ${cylinders}
electrical: ${electrical}
buses: { main: { bit_rate: 1 Mbit/s, devices: [controller, egt-box] } }
engine:
  cylinders: ${cylinders}
  banks: ${banks}
  speed: engine_speed
  throttle: throttle
  manifold_pressure: manifold_pressure
  barometer: station_pressure
  timing: spark_timing
  cut: fuel_cut
  exhaust_temps: { ${probes.join(', ')} }
injector_sets:
  port: { pulse: port_pulse, pulse_is: per event, injections_per_cycle: 1, cylinders: [${all}], flow: 700 cc/min at 300 kPa, dead_time: 1.0 ms,
    rail: rail_pressure, discharge: manifold_pressure, target: 300 kPa }
`,
    },
    {
      path: 'devices/controller.yaml',
      text: `device: controller
frames:
  - { name: fast, id: 0x310, length: 8, period: 20 ms, signals: [ { name: engine_speed, bytes: 0..1, unit: rpm },
      { name: throttle, bytes: 2..3, factor: 0.01, unit: "%", min: 0, max: 100 },
      { name: manifold_pressure, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute, min: 10, max: 110 },
      { name: fuel_cut, start_bit: 48, bit_length: 1 }, { name: sync_state, start_bit: 50, bit_length: 2 } ] }
  - { name: fuel, id: 0x311, length: 8, period: 20 ms, signals: [ { name: port_pulse, bytes: 0..1, factor: 0.001, unit: ms },
      { name: rail_pressure, bytes: 2..3, factor: 0.1, offset: -20, unit: kPa, reference: gauge, min: 0, max: 1000 },
      { name: oil_pressure, bytes: 4..5, factor: 0.1, offset: -20, unit: kPa, reference: gauge, min: 0, max: 1000 },
      { name: spark_timing, bytes: 6..7, sign: signed, factor: 0.1, unit: deg } ] }
  - { name: slow, id: 0x312, length: 8, period: 100 ms, signals: [ { name: coolant_temp, bytes: 0, offset: -40, unit: degC },
      { name: oil_temp, bytes: 1, offset: -40, unit: degC }, { name: battery_voltage, bytes: 2..3, factor: 0.001, unit: V },
      { name: station_pressure, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute }, { name: sync_loss_count, bytes: 6, unit: count } ] }
`,
    },
    { path: 'devices/egt-box.yaml', text: `device: egt-box\nframes:\n${boxes.join('\n')}\n` },
  ]);
  if (!vehicle) throw new Error(problems.map(({ file, line, say }) => `${file}:${line} ${say}`).join('\n'));
  return vehicle;
}
