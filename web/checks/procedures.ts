// What a person does in each check, step by step, in the order of the first evening, with the words of safety that belong to it.
import type { CheckName } from '../../server/contract/checks.ts';

export interface Procedure {
  check: CheckName;
  title: string;
  /** What it answers, in a line. */
  about: string;
  /** Read before it begins. */
  safety: string[];
  steps: { title: string; say: string; waitS?: number }[];
}

/** Limits and order: docs/checks.md and common practice, no source. */
export const procedures: readonly Procedure[] = [
  {
    check: 'bus',
    title: 'Bus',
    about: 'Is the wiring right, and where is it not?',
    safety: ['Batteries and short circuits: disconnect before you measure resistance or move a pin.'],
    steps: [
      { title: 'Key on', say: 'Engine off. Every device on the bus has power.' },
      { title: 'Let it listen', say: 'Half a minute without touching anything shows what comes at rest.', waitS: 30 },
      {
        title: 'Disturb it',
        say: 'Switch pump, fan and lights, and move the harness branch by branch. The wiggle test shows events as they happen.',
        waitS: 30,
      },
    ],
  },
  {
    check: 'key-on',
    title: 'Key-on',
    about: 'Do sensors, supplies and the prime read what they must before anything turns?',
    safety: [
      'Fuel: no flame, no spark, extinguisher at hand, doors open. Methanol burns unseen in daylight.',
      'Keep hands clear of the fan and belts: the key is on.',
    ],
    steps: [
      { title: 'Pump disabled', say: 'Pull its relay or fuse: most controllers prime within a second of key-on, and zeros come first.' },
      { title: 'Key on, and wait', say: 'Zeros and atmosphere are read now. Touch nothing.', waitS: 5 },
      {
        title: 'Switch things',
        say: 'Pump relay (still without its fuse), fan, ignition, lights: one at a time, three seconds each. No reading may move.',
        waitS: 15,
      },
      { title: 'Sweep the throttle', say: 'Slowly to its stop, and slowly back.', waitS: 8 },
      { title: 'Pump on, prime', say: 'Eyes on every fitting while it primes and holds.', waitS: 10 },
    ],
  },
  {
    check: 'probes',
    title: 'Probes',
    about: 'Does each exhaust probe read the cylinder that the file says?',
    safety: ['Before fuel is in the car, and never with vapour about.', 'A heat gun, no torch on a sheath. Sheaths stay hot: gloves.'],
    steps: [
      { title: 'Engine cold, key on', say: 'All probes read the same before you begin.', waitS: 5 },
      { title: 'Warm one probe at a time', say: 'In the order below, by 20 K or more each; wait a few seconds between two.' },
      { title: 'Warm the connectors', say: 'One at a time, in the same order. A right probe does not move.' },
    ],
  },
  {
    check: 'first-start',
    title: 'First start',
    about: 'Oil pressure before fire, then: does every cylinder burn?',
    safety: [
      'People clear of the plane of rotation: of flywheel, clutch, blower belt and fan.',
      'Exhaust gas: doors open, extraction on. Extinguisher at hand, somebody at the fuel shut-off.',
      'A flooded plenum can lock or backfire: after a failed start, dry it before the next.',
      'Ear defenders are worn: watch the screen, agree on a hand sign for stop.',
    ],
    steps: [
      {
        title: 'Oil pressure before fire',
        say: 'Fuel and spark off, plugs out: crank at most 10 s, rest a minute, until oil pressure has come and is steady.',
        waitS: 10,
      },
      { title: 'Start', say: 'Everybody knows who stops the engine, and how. Oil pressure must be there within 3 s.' },
      { title: 'Let it run', say: 'Without load. Each cylinder is compared with the others as it warms.', waitS: 20 },
    ],
  },
];

export function findProcedure(name: string | undefined): Procedure | undefined {
  return procedures.find(({ check }) => check === name);
}

export function getProcedure(check: CheckName): Procedure {
  return procedures.find((procedure) => procedure.check === check) as Procedure;
}

export const alwaysSafety =
  'Advice only. Protection belongs in the engine controller. The data of device makers, local codes and the dyno operator come first.';
