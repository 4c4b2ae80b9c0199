// What was found by hand, in the form of a check's result: wiggle test, unplug test, readings of a multimeter. Pure.
import type { BusWatch, WatchEvent } from './bus-watch.ts';
import type { UnplugStep } from './unplug-test.ts';
import type { CheckResult, Verdict } from './verdict.ts';

/** A branch of the harness that was moved; the empty name: none was said. Session time, microseconds. */
export interface MovedBranch {
  branch: string;
  fromUs: number;
  toUs: number;
}

/** An event with the branch that was being moved. */
export interface HandEvent {
  timeUs: number;
  kind: WatchEvent['kind'];
  bus: string;
  device?: string | undefined;
  stretch?: string | undefined;
  branch: string;
  say: string;
}

/** A wiggle or unplug test that is over. */
export interface WatchedByHand {
  startedUs: number;
  endedUs: number;
  moved: readonly MovedBranch[];
  events: readonly HandEvent[];
  unplugs: readonly UnplugStep[];
  /** Devices never heard since it began. */
  absent: ReturnType<BusWatch['absentDevices']>;
  /** Every device of the vehicle that has a periodic frame. */
  devices: readonly string[];
}

const eventsKept = 100;

/** A verdict for each branch that was moved. */
export function judgeWiggle(watched: WatchedByHand): CheckResult {
  const result = emptyResult('wiggle', watched);
  for (const branch of new Set(watched.moved.map((one) => one.branch))) result.verdicts.push(toBranchVerdict(watched, branch));
  for (const device of watched.absent) {
    result.notJudged?.push({ what: `whether ${device} drops out: it was not heard`, line: `switch ${device} on before the test begins` });
  }
  if (result.verdicts.length === 0) {
    result.notJudged?.push({ what: 'any branch', line: 'tap the name of the branch, then move it' });
  }
  return result;
}

function toBranchVerdict({ moved, events, startedUs }: WatchedByHand, branch: string): Verdict {
  const seconds = moved.filter((one) => one.branch === branch).reduce((sum, { fromUs, toUs }) => sum + (toUs - fromUs) / 1e6, 0);
  const own = events.filter((event) => event.branch === branch && event.kind !== 'back');
  const what = branch === '' ? 'nothing that was named' : branch;
  const ok = own.length === 0;
  const at = (timeUs: number) => Math.round(timeUs - startedUs) / 1e6;
  const [first] = own;
  const stretch = sameOf(own.flatMap((event) => event.stretch ?? []));
  const device = sameOf(own.flatMap((event) => event.device ?? []));
  return {
    code: 'wiggle',
    ok,
    branch: what,
    ...(stretch ? { stretch } : {}),
    ...(device ? { device } : {}),
    ...(first ? { at: at(first.timeUs), bus: first.bus } : {}),
    measured: own.length,
    limit: 0,
    seconds: Math.round(seconds * 10) / 10,
    ...(ok
      ? {}
      : {
          events: own
            .slice(0, eventsKept)
            .map(({ timeUs, kind, say, stretch: points }) => ({ at: at(timeUs), kind, say, ...(points ? { stretch: points } : {}) })),
        }),
    say: ok
      ? `nothing dropped out in ${seconds.toFixed(0)} s of moving ${what}`
      : `${own.length === 1 ? 'one disturbance' : `${own.length} disturbances`} while ${what} was moved, the first: ${first?.say}`,
    ...(ok
      ? {}
      : {
          next: `Look at ${stretch ? `the wire and connectors between ${stretch.replace(' - ', ' and ')}` : device ? `the branch and plug of ${device}` : `the connectors of ${what}`}: pins that are not home, strands, chafed places.`,
        }),
  };
}

/** The one value of all; undefined when they differ or there are none. */
function sameOf(values: readonly string[]): string | undefined {
  return new Set(values).size === 1 ? values[0] : undefined;
}

/** A verdict for each device that was unplugged and plugged in again; the last try of a device counts. */
export function judgeUnplugs(watched: WatchedByHand): CheckResult {
  const result = emptyResult('unplug', watched);
  const last = new Map(watched.unplugs.map((step) => [step.device, step]));
  for (const { device, phase, others, say } of last.values()) {
    if (phase !== 'passed' && phase !== 'failed') continue;
    const next = `Look at what ${device} shares with ${others.join(' and ')}: trunk, supply, ground.`;
    result.verdicts.push({ code: 'unplug', ok: phase === 'passed', device, others, say, ...(phase === 'failed' ? { next } : {}) });
  }
  for (const device of watched.devices) {
    if (result.verdicts.some((verdict) => verdict.device === device)) continue;
    result.notJudged?.push({ what: `${device}: it was not unplugged and plugged in again`, line: `tap ${device} and unplug it` });
  }
  return result;
}

function emptyResult(check: string, { startedUs, endedUs }: WatchedByHand): CheckResult {
  return { check, frames: 0, seconds: Math.max(0, endedUs - startedUs) / 1e6, verdicts: [], notJudged: [] };
}

/** Voltages at a device's plug with everything on, volts. Limits: common practice, no source. */
export interface DeviceVolts {
  device: string;
  /** At the posts of the battery, meanwhile. */
  battery: number;
  /** Between its supply pin and the battery's negative post. */
  supply: number;
  /** Between its ground pin and the battery's negative post. */
  ground: number;
}

/** On 12 V; they scale with the vehicle's nominal voltage. */
export const deviceVoltLimits = { groundDropV: 0.1, feedDropV: 0.5 } as const;

/** @param nominalV Of the vehicle; 12 V where it says nothing. */
export function judgeDeviceVolts({ device, battery, supply, ground }: DeviceVolts, nominalV = 12): Verdict {
  const scale = nominalV / 12;
  const [groundMost, feedMost] = [deviceVoltLimits.groundDropV * scale, deviceVoltLimits.feedDropV * scale];
  const feed = battery - supply;
  const verdict = (ok: boolean, say: string, next?: string): Verdict => ({
    code: 'device-supply',
    ok,
    device,
    measured: Math.round(1000 * (feed + Math.max(0, ground))) / 1000,
    limit: Math.round(1000 * (feedMost + groundMost)) / 1000,
    say,
    evidence: { feedDropV: Math.round(1000 * feed) / 1000, groundDropV: Math.round(1000 * ground) / 1000 },
    ...(next ? { next } : {}),
  });
  if (supply < 0.5) return verdict(false, `${device} has no supply at its plug`, 'Fuse, relay, then the wire between them and the plug.');
  if (feed < -0.2 * scale || ground < -0.2 * scale) {
    return verdict(
      false,
      'these readings contradict each other: a plug has no more than the battery',
      'Measure all three again, one after the other.',
    );
  }
  const lost = `${device} has ${supply} V of ${battery} V at its plug, and its ground lies ${ground} V above the battery's`;
  if (ground > groundMost)
    return verdict(false, `${lost}: a poor ground, above all`, 'Clean and tighten its ground; measure again with everything on.');
  if (feed > feedMost)
    return verdict(false, `${lost}: lost in its feed`, 'A thin or long feed, a tired relay or fuse holder: measure along it.');
  return verdict(true, `${device} has ${supply} V of ${battery} V, ground ${ground} V`);
}

/** Readings as a result. @param seconds From the first to the last. */
export function toReadings(verdicts: Verdict[], seconds: number): CheckResult {
  return { check: 'line', frames: 0, seconds, verdicts, notJudged: [] };
}
