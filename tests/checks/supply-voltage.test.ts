// A device that is lost while the starter turns: the bus check says what the supply was, where the bus tells it.
import { describe, expect, it } from 'vitest';
import { FrameBatch } from '../../server/bus/frame-batch.ts';
import { checkBus } from '../../server/checks/bus-check.ts';
import { TrafficLog } from '../../server/checks/bus-traffic.ts';
import type { Verdict } from '../../server/checks/verdict.ts';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';

function vehicleWith(battery: string, name = 'battery_voltage'): Vehicle {
  const { vehicle, problems } = parseVehicle([
    {
      path: 'vehicle.yaml',
      text: `vehicle: Test\nbuses: { main: { bit_rate: 500 kbit/s, devices: [controller, node] } }\nengine: { cylinders: 2${battery} }\n`,
    },
    {
      path: 'devices/controller.yaml',
      text: `device: controller\ntitle: Controller\nframes:\n  - name: power\n    id: 0x100\n    length: 2\n    period: 20 ms\n    signals: [{ name: ${name}, bytes: 0..1, byte_order: big, unit: mV, fault: 0xFFFF }]\n`,
    },
    {
      path: 'devices/node.yaml',
      text: `device: node\ntitle: Node\nframes:\n  - name: pressures\n    id: 0x200\n    length: 2\n    period: 20 ms\n    counter: node_count\n    signals: [{ name: pressure, bytes: 0 }, { name: node_count, bytes: 1 }]\n`,
    },
  ]);
  if (!vehicle) throw new Error(problems.map(({ say }) => say).join('; '));
  return vehicle;
}

/** Ten seconds; the node is away from 3.2 to 4.2 s and begins anew, the supply is at `crankingMv` from 3 to 4 s. */
function judged(vehicle: Vehicle, crankingMv: number): Verdict | undefined {
  const batch = new FrameBatch(2000);
  let count = 0;
  for (let ms = 0; ms < 10_000; ms += 20) {
    // Unreadable now and then: that is no voltage.
    const mv = ms % 1000 === 0 ? 0xffff : ms >= 3000 && ms < 4000 ? crankingMv : 12_600;
    batch.push(ms * 1000, 0, 0x100, 0, Uint8Array.of(mv >> 8, mv & 255), 0, 2);
    if (ms >= 3200 && ms < 4200) count = 0;
    else batch.push(ms * 1000 + 400, 0, 0x200, 0, Uint8Array.of(ms % 251, count++ & 255), 0, 2);
  }
  const traffic = new TrafficLog(vehicle);
  traffic.take(batch);
  return checkBus(traffic).verdicts.find(({ ok, code }) => !ok && code === 'device-restarts');
}

describe('a device that restarts', () => {
  it('while the supply is down is said to be lost with it, with the voltages', () => {
    const verdict = judged(vehicleWith(', battery: battery_voltage'), 8800);
    expect(verdict).toMatchObject({ device: 'node', supplyLowestV: 8.8, supplyUsualV: 12.6 });
    expect(verdict?.say).toContain('the supply was down to 8.8 V (12.6 V as a rule)');
  });

  it('while the supply stays says nothing of it', () => {
    const verdict = judged(vehicleWith(', battery: battery_voltage'), 12_400);
    expect(verdict).toMatchObject({ device: 'node' });
    expect(verdict?.say).not.toContain('supply');
    expect(verdict).not.toHaveProperty('supplyLowestV');
  });

  it('says nothing of a supply that no channel tells', () => {
    const verdict = judged(vehicleWith('', 'some_level'), 8800);
    expect(verdict).toMatchObject({ device: 'node' });
    expect(verdict).not.toHaveProperty('supplyLowestV');
  });
});
