// An empty vehicle folder: the vehicle that stands in for it until its first file is saved, so that its buses can be listened to.
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { parseVehicle } from '../definitions/load-vehicle.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { EvenburnError } from '../errors.ts';

/** The bus of a vehicle of which nothing is known yet. */
export const firstBusName = 'engine';

/** Whether the folder is there and holds no definition file. A folder that isn't there is a mistake in its name, and no beginning. */
export function isBlankFolder(dir: string): boolean {
  const isDefinition = (name: string) => /\.ya?ml$/i.test(name);
  try {
    if (readdirSync(dir).some(isDefinition)) return false;
  } catch {
    return false;
  }
  try {
    return !readdirSync(join(dir, 'devices')).some(isDefinition);
  } catch {
    return true;
  }
}

/**
 * @param buses Their names; one of the usual name without any.
 * @throws EvenburnError USAGE_WRONG for a name that no bus can have.
 */
export function toBlankVehicle(buses: readonly string[], bitRate = '500 kbit/s'): Vehicle {
  const names = buses.length > 0 ? buses : [firstBusName];
  const lines = names.map((name) => `  ${name}: { bit_rate: ${bitRate} }\n`);
  const { vehicle } = parseVehicle([{ path: 'vehicle.yaml', text: `vehicle: New vehicle\nbuses:\n${lines.join('')}` }]);
  if (!vehicle)
    throw new EvenburnError('USAGE_WRONG', { what: `--bus: ${names.join(', ')} can't be names of buses (letters, digits, - and _)` });
  return vehicle;
}
