// Channels that have no part in `engine:` and are known by their usual name: air, fuel, torque, power. Pure.
import { findUnit } from '../channels/unit.ts';
import type { Vehicle } from '../definitions/vehicle.ts';

/** What may be asked for: the names that are usual, and the kind of unit that it must have. */
const usual = {
  fuelTemp: { is: /^fuel_temp/, dimension: 'temperature', line: '{ name: fuel_temp, ..., unit: degC }' },
  intakeTemp: {
    is: /^(intake|inlet|manifold|charge)_(air_)?temp|^air_temp/,
    dimension: 'temperature',
    line: '{ name: intake_temp, ..., unit: degC }',
  },
  roomTemp: { is: /^(room|cell|ambient|station)_(air_)?temp/, dimension: 'temperature', line: '{ name: room_temp, ..., unit: degC }' },
  torque: { is: /(^|_)torque(_|$)/, dimension: 'torque', line: '{ name: dyno_torque, ..., unit: Nm }' },
  power: { is: /(^|_)power(_|$)/, dimension: 'power', line: '{ name: dyno_power, ..., unit: kW }' },
} as const;

export type UsualChannel = keyof typeof usual;

/** The first signal or derived channel of such a name and unit; undefined when there is none. */
export function findUsualChannel(vehicle: Vehicle, what: UsualChannel): string | undefined {
  const { is, dimension } = usual[what];
  const signals = vehicle.buses.flatMap((bus) => bus.frames.flatMap((frame) => frame.signals));
  return [...signals, ...vehicle.derived].find(({ name, unit }) => is.test(name) && findUnit(unit)?.dimension === dimension)?.name;
}

/** What would have to stand in a device file for it to be found. */
export function lineOfUsualChannel(what: UsualChannel): string {
  return usual[what].line;
}
