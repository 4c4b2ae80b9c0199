// A vehicle of one bus and a few channels, as text that a test may change.
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

export const smallDevice = `device: controller
title: Controller
frames:
  - name: fast
    id: 0x100
    length: 4
    period: 20 ms
    signals:
      - { name: engine_speed, bytes: 0..1, byte_order: big, unit: rpm, min: 0, max: 9000 }
      - { name: oil_pressure, bytes: 2..3, byte_order: big, factor: 0.1, offset: -10, unit: kPa, reference: gauge, fault: 0xFFFF }
  - name: paged
    id: 0x101
    length: 2
    signals:
      - { name: page, start_bit: 0, bit_length: 4 }
      - { name: box_temp, bytes: 1, sign: signed, unit: degC, when: { page: 0 } }
      - { name: box_state, bytes: 1, when: { page: 1..2 }, states: { 0: off, 1: on } }
`;

export const smallVehicleText = `vehicle: Bench
buses:
  engine: { bit_rate: 500 kbit/s, devices: [controller] }
derived:
  - { name: oil_twice, formula: "oil_pressure * 2", unit: kPa }
alarms:
  - { name: oil low, when: "oil_pressure < 50", severity: warning, latch: true, advice: Shut down now }
`;

/** @throws Error when the texts have errors. */
export function smallVehicle(vehicle = smallVehicleText, device = smallDevice): Vehicle {
  const parsed = parseVehicle([
    { path: 'vehicle.yaml', text: vehicle },
    { path: 'devices/controller.yaml', text: device },
  ]);
  if (!parsed.vehicle) throw new Error(JSON.stringify(parsed.problems));
  return parsed.vehicle;
}
