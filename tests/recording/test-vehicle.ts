// A small vehicle for tests of recording: two buses, and signals in the bytes that tests/doubles/can-trace.ts fills.
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

export interface TestVehicleOptions {
  /** Ids of the trace that are defined: 0x100 + 7 × i. */
  ids?: number;
  buses?: number;
  /** Scale of `wander_<i>`. */
  factor?: number;
  extra?: string;
}

export function testVehicle({ ids = 6, buses = 1, factor = 0.1, extra = '' }: TestVehicleOptions = {}): Vehicle {
  const busLines = Array.from({ length: buses }, (_, b) => `  bus_${b}: { bit_rate: 1 Mbit/s, interface: can${b}, devices: [box-${b}] }`);
  const files = [
    { path: 'vehicle.yaml', text: `vehicle: Teal\nbuses:\n${busLines.join('\n')}\n${extra}` },
    ...Array.from({ length: buses }, (_, b) => ({ path: `devices/box-${b}.yaml`, text: deviceText(b, buses, ids, factor) })),
  ];
  const { vehicle, problems } = parseVehicle(files);
  if (!vehicle) throw new Error(problems.map(({ file, line, say }) => `${file}:${line} ${say}`).join('\n'));
  return vehicle;
}

function deviceText(bus: number, buses: number, ids: number, factor: number): string {
  const lines = [`device: box-${bus}`, 'title: Test box', 'frames:'];
  for (let i = bus; i < ids; i += buses) {
    lines.push(
      `  - name: frame_${i}`,
      `    id: 0x${(0x100 + i * 7).toString(16)}`,
      '    length: 8',
      `    period: ${[10, 20, 20, 50, 100, 10, 1000][i % 7]} ms`,
      '    signals:',
      `      - { name: wander_${i}, bytes: 0..1, byte_order: big, factor: ${factor}, offset: -50 }`,
      `      - { name: noisy_${i}, bytes: 2..3, byte_order: big, factor: 0.25 }`,
      `      - { name: state_${i}, bytes: 4 }`,
      `      - { name: slow_${i}, bytes: 6, fault: 0xFF }`,
      `      - { name: count_${i}, bytes: 7 }`,
    );
  }
  return `${lines.join('\n')}\n`;
}
