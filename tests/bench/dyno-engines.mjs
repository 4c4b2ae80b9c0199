// Engines for the dyno benches: any number of cylinders, one or two banks, a port set and a batch set in groups, written as definition files.
import { parseVehicle } from '../../dist/server/definitions/load-vehicle.js';

const range = (count) => Array.from({ length: count }, (_, i) => i + 1);

/** Usual layouts: cylinders → banks front to back, firing order. */
export const layouts = {
  4: { banks: { main: [1, 2, 3, 4] }, order: [1, 3, 4, 2] },
  6: { banks: { main: [1, 2, 3, 4, 5, 6] }, order: [1, 5, 3, 6, 2, 4] },
  8: { banks: { left: [1, 3, 5, 7], right: [2, 4, 6, 8] }, order: [1, 8, 4, 3, 6, 5, 7, 2] },
  12: { banks: { left: [1, 2, 3, 4, 5, 6], right: [7, 8, 9, 10, 11, 12] }, order: [1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9] },
};

/** What can be moved between sessions. */
export function firstState(cylinders) {
  const half = cylinders / 2;
  const all = range(cylinders);
  return {
    cylinders,
    groups: { A: all.slice(0, half), B: all.slice(half) },
    probes: all.map((n) => `T-${n}`),
    port: all.map((n) => `P-${n}`),
    plenum: all.map((n) => `L-${n}`),
    off: [],
  };
}

/**
 * @param throttle `%`, `V` or `deg`: the throttle signal's unit; the bits are the same, so that frames simulated for one can be read by another.
 * @param manifold Range of the manifold sensor, kPa; 0 is none. @param cut Whether the controller says when it cuts.
 */
export function vehicleOf(state, { throttle = '%', manifold = 250, cut = true } = {}) {
  const { cylinders, groups, probes, port, plenum } = state;
  const { banks, order } = layouts[cylinders];
  const named = (list) => list.map((name, i) => `${i + 1}: ${name}`).join(', ');
  const lists = (of) =>
    Object.entries(of)
      .map(([name, list]) => `${name}: [${list.join(', ')}]`)
      .join(', ');
  const vehicle = `vehicle: Bench
fuel: methanol
buses:
  main: { bit_rate: 1 Mbit/s, devices: [ecu, box] }
engine:
  cylinders: ${cylinders}
  banks: { ${lists(banks)} }
  firing_order: [${order.join(', ')}]
  speed: engine_speed
  throttle: throttle
${manifold ? '  manifold_pressure: manifold_pressure\n' : ''}  barometer: station_pressure
${cut ? '  cut: fuel_cut\n' : ''}  exhaust_temps: { ${probes.map((name, i) => `${i + 1}: { channel: egt_${i + 1}, lag: 0.6..1.1 s, probe: ${name} }`).join(', ')} }
injector_sets:
  port: { pulse: port_pulse, pulse_is: per event, injections_per_cycle: 1, cylinders: [${range(cylinders).join(', ')}], flow: 900 cc/min at 300 kPa,
    dead_time: 1.0 ms, injectors: { ${named(port)} } }
  plenum: { pulse: plenum_pulse, pulse_is: per event, injections_per_cycle: 2, cylinders: [${range(cylinders).join(', ')}], flow: 1500 cc/min at 300 kPa,
    dead_time: 1.0 ms, injectors: { ${named(plenum)} }, plans: { now: { ${lists(groups)} } }, plan: now,
    group_angles: { zero: start of injection after compression top of cylinder 1, A: 60 deg, B: 240 deg } }
`;
  const position =
    throttle === '%'
      ? '{ name: throttle, bytes: 2..3, factor: 0.01, unit: "%", min: 0, max: 100 }'
      : throttle === 'V'
        ? '{ name: throttle, bytes: 2..3, factor: 0.0004, offset: 0.5, unit: V, min: 0.5, max: 4.5 }'
        : '{ name: throttle, bytes: 2..3, factor: 0.0081, offset: 3, unit: deg, min: 3, max: 84 }';
  const boxFrames = range(Math.ceil(cylinders / 4)).map((frame) => {
    const signals = range(Math.min(4, cylinders - 4 * (frame - 1))).map(
      (i) => `{ name: egt_${4 * (frame - 1) + i}, bytes: ${2 * i - 2}..${2 * i - 1}, factor: 0.1, offset: -50, unit: degC }`,
    );
    return `  - { name: egt_${frame}, id: ${0x200 + frame}, length: 8, period: 50 ms, signals: [ ${signals.join(', ')} ] }\n`;
  });
  const { vehicle: parsed, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: vehicle },
    {
      path: 'devices/ecu.yaml',
      text: `device: ecu
frames:
  - { name: fast, id: 0x120, length: 8, period: 20 ms, signals: [ { name: engine_speed, bytes: 0..1, unit: rpm }, ${position},
      { name: ${manifold ? 'manifold_pressure' : 'spare_pressure'}, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute, min: 10, max: ${manifold || 250} },
      { name: fuel_cut, start_bit: 48, bit_length: 1 } ] }
  - { name: fuel, id: 0x121, length: 6, period: 20 ms, signals: [ { name: port_pulse, bytes: 0..1, factor: 0.001, unit: ms },
      { name: plenum_pulse, bytes: 2..3, factor: 0.001, unit: ms }, { name: station_pressure, bytes: 4..5, factor: 0.01, unit: kPa, reference: absolute } ] }
`,
    },
    { path: 'devices/box.yaml', text: `device: box\nframes:\n${boxFrames.join('')}` },
  ]);
  if (!parsed) throw new Error(problems.map(({ say, line, file }) => `${file}:${line} ${say}`).join('\n'));
  return parsed;
}
