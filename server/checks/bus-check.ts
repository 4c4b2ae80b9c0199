// The bus check: verdicts on every frame, every device and the line itself, each with its number, its rule and what to do next.
import { BusEvidence } from './bus-evidence.ts';
import type { TrafficLog } from './bus-traffic.ts';
import { withUsersLimits } from './check-limits.ts';
import { judgeDevices } from './device-verdicts.ts';
import { judgeFrame } from './frame-verdicts.ts';
import { judgeAcknowledge, judgeErrors, judgeLoad, judgeUnknownIds, sayWhatIsNotJudged } from './line-verdicts.ts';
import type { LimitsOf } from './usual-limits.ts';
import type { CheckResult } from './verdict.ts';

/** Judges the traffic gathered so far; limits are those of `checks: { bus: { load: 60 % } }`, else the usual ones. Never throws; what the vehicle doesn't say is listed as not judged. */
export function checkBus(traffic: TrafficLog, limits?: LimitsOf<'bus'>): CheckResult {
  const { vehicle } = traffic;
  const seconds = traffic.frames > 0 ? (traffic.lastUs - traffic.firstUs) / 1e6 : 0;
  const result: CheckResult = { check: 'bus', frames: traffic.frames, seconds, loadPercent: 0, verdicts: [], notJudged: [] };
  const inForce = limits ?? withUsersLimits('bus', vehicle, result);
  for (const bus of vehicle.buses) {
    const on = new BusEvidence(traffic, bus, inForce, result);
    judgeAcknowledge(on);
    judgeDevices(on);
    for (const presence of on.presences) for (const frame of presence.device.frames) judgeFrame(on, frame, presence);
    judgeUnknownIds(on);
    judgeErrors(on);
    judgeLoad(on);
    sayWhatIsNotJudged(on);
  }
  return result;
}
