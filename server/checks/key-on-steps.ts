// Steps of the key-on check, in the order in which nothing spoils what comes after: zeros before the pump, the pump last. Pure.
import type { Vehicle } from '../definitions/vehicle.ts';
import { limitsOf } from './check-limits.ts';
import type { Step } from './procedure.ts';
import type { LimitsOf } from './usual-limits.ts';

const look = (name: string, title: string, say: string, forS: number, codes: string[]): Step => ({
  name,
  title,
  say,
  kind: 'watch',
  watch: { forS },
  codes,
  blocking: false,
});

const confirm = (name: string, title: string, say: string, waitS?: number): Step => ({
  name,
  title,
  say,
  kind: 'confirm',
  ...(waitS === undefined ? {} : { waitS }),
  codes: [],
  blocking: false,
});

/** Times are limits of the check: theirs are the sources. */
export function keyOnSteps(vehicle: Vehicle): Step[] {
  const { engine } = vehicle;
  const limits = limitsOf('key-on', vehicle);
  const rails = vehicle.injectorSets.filter(({ rail, targetKpa }) => rail !== undefined && targetKpa !== undefined);
  return [
    confirm('pump-off', 'Pump disabled', 'Pull its relay or fuse: most controllers prime within a second of key-on, and zeros come first.'),
    look('zeros', 'Key on, and wait', 'Zeros and atmosphere are read now. Touch nothing.', limits.zerosForS, ['zero-offset']),
    ...(engine && engine.exhaustTemps.length > 0
      ? [
          look(
            'probes',
            'Probes beside each other',
            'On an engine that stood overnight all read alike. A warm one shows only open, shorted and reversed ones. Touch nothing.',
            limits.probesForS,
            ['probe-open', 'probe-shorted', 'probe-reversed', 'probe-disagrees'],
          ),
        ]
      : []),
    ...(engine?.roles.throttle
      ? [look('throttle', 'Sweep the throttle', 'Slowly to its stop, and slowly back.', limits.sweepForS, ['throttle-range'])]
      : []),
    ...(engine?.roles.battery
      ? [look('battery', 'Battery at rest', 'Nothing switched on, no charger.', limits.batteryForS, ['battery'])]
      : []),
    look(
      'supplies',
      'Switch things',
      'Pump relay (still without its fuse), fan, ignition, lights: one at a time, three seconds each. No reading may move.',
      limits.switchForS,
      ['supply-shift'],
    ),
    ...(rails.length > 0
      ? primeSteps(
          rails.map(({ name }) => name),
          limits,
        )
      : []),
    look('alive', 'Every channel alive', 'A last look at what comes and never carries a number.', limits.aliveForS, ['channel-silent']),
  ];
}

function primeSteps(sets: readonly string[], limits: LimitsOf<'key-on'>): Step[] {
  const which = sets.length === 1 ? '' : ` (${sets.join(', ')})`;
  return [
    confirm('pump-on', 'Pump enabled', 'Relay or fuse back in. Somebody at the fuel shut-off, eyes on every fitting.'),
    look(
      'prime',
      'Prime',
      `Key on, or the controller’s own pump test: pressure${which} rises to its target and does not overshoot.`,
      limits.primeForS,
      ['prime'],
    ),
    confirm(
      'leak-hold',
      'Leak hold',
      `Pump running for ${toTime(limits.leakHoldForS)}, eyes and a dry cloth on every fitting. Confirm only when all are dry.`,
      limits.leakHoldForS,
    ),
    look(
      'leak-down',
      'Pump off, watch it fall',
      'How fast pressure falls is compared with last time and never judged alone: many regulators drop to zero by design.',
      limits.leakDownForS,
      ['leak-down'],
    ),
    {
      name: 'reference',
      title: 'Air on the regulator’s reference',
      say: 'Regulated air at full boost on the reference of the regulators. Type its gauge pressure.',
      kind: 'reading',
      reading: { unit: 'kPa', min: 0, max: 600 },
      codes: [],
      blocking: false,
    },
    look(
      'prime-again',
      'Prime at reference pressure',
      `Pump on: each rail${which} must rise by what you typed. Eyes on every fitting.`,
      limits.primeAgainForS,
      ['prime-at-reference'],
    ),
    confirm(
      'leak-hold-again',
      'Leak hold at reference pressure',
      `${toTime(limits.leakHoldForS)} again. Then pump off, and bleed the air.`,
      limits.leakHoldForS,
    ),
  ];
}

function toTime(seconds: number): string {
  return seconds >= 120 && seconds % 60 === 0 ? `${seconds / 60} minutes` : `${seconds} s`;
}
