// What the first steps have found out, put into the draft of the vehicle's files.
import type { BeginningView } from '../../server/contract/beginning.ts';
import { type NewDevice, toDeviceText, toVehicleText } from './new-device.ts';
import { draft } from './open-draft.ts';

export interface Found {
  devices: readonly NewDevice[];
  /** Name of a vehicle that has no file yet. */
  vehicle: string;
  buses: readonly { name: string; bitRate: number }[];
  sources: BeginningView['buses'];
}

/** New devices with their place on the bus; a vehicle without a file gets one. */
export async function writeDraft({ devices, vehicle, buses, sources }: Found): Promise<void> {
  for (const device of devices) await draft.addFile(`devices/${device.device}.yaml`, toDeviceText(device));
  if (draft.base.value?.files.some(({ path }) => path === 'vehicle.yaml')) {
    for (const { bus, device } of devices) await draft.putOnBus(bus, device);
    return;
  }
  const kernel = 'socketcan:';
  const interfaces = new Map(
    sources.filter(({ source }) => source.startsWith(kernel)).map(({ bus, source }) => [bus, source.slice(kernel.length)]),
  );
  const onBus = new Map<string, string[]>();
  for (const { bus, device } of devices) onBus.set(bus, [...(onBus.get(bus) ?? []), device]);
  await draft.addFile('vehicle.yaml', toVehicleText(vehicle, buses, interfaces, onBus));
}
