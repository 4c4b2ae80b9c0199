// The way of a channel through the harness, outward from the device, however the file orders and turns its wires.
import { describe, expect, it } from 'vitest';
import { parseVehicle } from '../../server/definitions/load-vehicle.ts';
import { wiresOf } from '../../server/live/wires.ts';
import { smallDevice, smallVehicleText } from '../doubles/small-vehicle.ts';

const harness = `connectors:
  box: { title: Controller plug, device: controller, pins: [1, 2] }
  wall: { title: Bulkhead, pins: [A1] }
  sender: { pins: [1] }
circuits:
  oil: { title: Oil pressure, channel: oil_pressure }
  other: { title: Something else }
wires:
  - { from: sender.1, to: wall.A1, circuit: oil, gauge: 20, length: 0.5 m, colour: red/blue, fuse: F1 }
  - { from: box.2, to: sender.1, circuit: other }
  - { from: box.1, to: wall.A1, circuit: oil, gauge: 0.5 mm2 }
fuses: { F1: { rating: 5 A } }
`;

function vehicleWith(text: string | undefined) {
  const { vehicle, problems } = parseVehicle([
    { path: 'vehicle.yaml', text: smallVehicleText },
    { path: 'devices/controller.yaml', text: smallDevice },
    ...(text === undefined ? [] : [{ path: 'harness.yaml', text }]),
  ]);
  if (!vehicle) throw new Error(JSON.stringify(problems));
  return vehicle;
}

describe('the wires of a channel', () => {
  it('run outward from the device, whatever way round the file has them', () => {
    expect(wiresOf(vehicleWith(harness), 'oil_pressure', 'controller')).toEqual([
      { connector: 'Controller plug', pin: '1', wire: '0.5 mm2', to: 'wall.A1' },
      { connector: 'Bulkhead', pin: 'A1', wire: 'red/blue, AWG 20, 0.5 m, fuse F1', to: 'sender.1' },
    ]);
  });

  it('run on from the first in the file where none hangs on the device', () => {
    const loose = harness.replace('device: controller, ', '');
    expect(wiresOf(vehicleWith(loose), 'oil_pressure', 'controller').map(({ pin, to }) => [pin, to])).toEqual([
      ['1', 'wall.A1'],
      ['A1', 'box.1'],
    ]);
  });

  it('are none for a channel that no circuit names, and without a harness file', () => {
    expect(wiresOf(vehicleWith(harness), 'engine_speed', 'controller')).toEqual([]);
    expect(wiresOf(vehicleWith(undefined), 'oil_pressure', 'controller')).toEqual([]);
  });
});
