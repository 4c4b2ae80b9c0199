// The checks that every vehicle has, step by step in the order of the first evening, made from what its file says. Pure.
import type { Vehicle } from '../definitions/vehicle.ts';
import { limitsOf } from './check-limits.ts';
import { injectorSteps } from './injector-steps.ts';
import { keyOnSteps } from './key-on-steps.ts';
import { preparationSteps } from './preparation-steps.ts';
import type { Procedure, Step } from './procedure.ts';
import { amount, said } from './said.ts';
import { supplySteps } from './supply-test.ts';

/** Order, words and times: common practice, no source, unless a step says otherwise. */
export function usualProcedures(vehicle: Vehicle): Procedure[] {
  return [
    {
      name: 'bus',
      title: 'Bus',
      about: 'Is the wiring right, and where is it not?',
      safety: ['Batteries and short circuits: disconnect before you measure resistance or move a pin.'],
      steps: busSteps(vehicle),
    },
    {
      name: 'key-on',
      title: 'Key-on',
      about: 'Do sensors, supplies and the prime read what they must before anything turns?',
      safety: [
        'Fuel: no flame, no spark, extinguisher at hand, doors open. Methanol burns unseen in daylight.',
        'Keep hands clear of the fan and belts: the key is on.',
      ],
      steps: keyOnSteps(vehicle),
    },
    {
      name: 'supplies',
      title: 'Supply and ground',
      about: 'Does a reading move when something else is switched, and which supply or ground is it?',
      safety: ['Key on, engine off: keep hands clear of the fan and belts.', 'Fuel: pump without its fuse, or eyes on every fitting.'],
      steps: supplySteps(vehicle),
    },
    {
      name: 'probes',
      title: 'Probes',
      about: 'Does each exhaust probe read the cylinder that the file says?',
      safety: ['Before fuel is in the car, and never with vapour about.', 'A heat gun, no torch on a sheath. Sheaths stay hot: gloves.'],
      steps: probeSteps(vehicle),
    },
    {
      name: 'injectors',
      title: 'Injectors',
      about: 'Is each injector, and each group that fires together, wired as the file says?',
      safety: [
        'Pump off and the rail bled first: a filled plenum means hydraulic lock or a backfire.',
        'Spark off, extinguisher at hand. This program commands nothing: use the engine controller’s own test.',
      ],
      steps: injectorSteps(vehicle),
    },
    {
      name: 'preparation',
      title: 'Preparation',
      about: 'Is everything done that the first fire needs, and what is still open?',
      safety: ['A waived item stays in the report, with its reason and who waived it.'],
      steps: preparationSteps(vehicle),
    },
    {
      name: 'first-start',
      title: 'First start',
      about: 'Oil pressure before fire, then: does every cylinder burn?',
      safety: [
        'People clear of the plane of rotation: of flywheel, clutch, blower belt and fan.',
        'Exhaust gas: doors open, extraction on. Extinguisher at hand, somebody at the fuel shut-off.',
        'A flooded plenum can lock or backfire: after a failed start, dry it before the next.',
        'Ear defenders are worn: watch the screen, agree on a hand sign for stop.',
      ],
      steps: firstStartSteps(vehicle),
    },
  ];
}

function busSteps(vehicle: Vehicle): Step[] {
  const { listenForS, disturbForS } = limitsOf('bus', vehicle);
  return [
    {
      name: 'key-on',
      title: 'Key on',
      say: 'Engine off. Every device on the bus has power.',
      kind: 'confirm',
      codes: [],
      blocking: false,
    },
    {
      name: 'listen',
      title: 'Let it listen',
      say: `${listenForS} s without touching anything show what comes at rest.`,
      kind: 'watch',
      watch: { forS: listenForS },
      codes: [],
      blocking: false,
    },
    {
      name: 'disturb',
      title: 'Disturb it',
      say: 'Switch pump, fan and lights, and move the harness branch by branch. The wiggle test shows events as they happen.',
      kind: 'watch',
      watch: { forS: disturbForS },
      codes: [],
      blocking: false,
    },
  ];
}

/** Names of the steps in which one probe is warmed: `probe-3` is cylinder 3. */
export const toProbeStep = (cylinder: number): string => `probe-${cylinder}`;

function probeSteps(vehicle: Vehicle): Step[] {
  const probes = vehicle.engine?.exhaustTemps ?? [];
  if (probes.length === 0) return [];
  const limits = limitsOf('probes', vehicle);
  return [
    {
      name: 'cold',
      title: 'Engine cold, key on',
      say: 'All probes read the same before you begin. Touch nothing.',
      kind: 'watch',
      watch: { forS: limits.coldForS },
      codes: [],
      blocking: false,
    },
    ...probes.map(
      ({ cylinder, probe, channel }): Step => ({
        name: toProbeStep(cylinder),
        title: `Warm the probe of cylinder ${cylinder}`,
        ...said`By ${amount(20, 'K')} or more, this one alone${probe ? ` (${probe})` : ''}. ${channel} should rise first and most. Take the probes in any order.`,
        kind: 'watch',
        watch: { forS: limits.warmForS, verdict: { code: 'probe-swapped' } },
        codes: ['probe-swapped', 'probe-dead', 'probe-reversed'],
        cylinder,
        blocking: false,
      }),
    ),
    {
      name: 'connectors',
      title: 'Warm the connectors',
      say: 'One at a time. A right probe does not move; one that falls has its extension wires crossed, or copper in them.',
      kind: 'watch',
      watch: { forS: limits.connectorsForS },
      codes: ['extension-crossed'],
      blocking: false,
    },
  ];
}

function firstStartSteps(vehicle: Vehicle): Step[] {
  const oil = vehicle.engine?.roles.oilPressure;
  const limits = limitsOf('first-start', vehicle);
  const oilStep: Step = {
    name: 'oil-before-fire',
    title: 'Oil pressure before fire',
    say: `Fuel and spark off, plugs out: crank at most ${limits.crankedMostS} s, rest ${limits.restedS} s, until oil pressure has come and is steady.`,
    kind: oil === undefined ? 'confirm' : 'watch',
    ...(oil === undefined ? {} : { watch: { forS: 0, verdict: { code: 'oil-pressure', phase: 'cranking', steady: true } } }),
    codes: [],
    blocking: true,
  };
  if (oil === undefined) oilStep.say += ' Confirm it by a gauge: the file names no oil pressure (engine: { oil_pressure: <channel> }).';
  return [
    oilStep,
    {
      name: 'arm',
      title: 'Arm',
      say: 'Plugs in, fuel and spark on, everybody at their place. Everybody knows who stops the engine, and how.',
      kind: 'confirm',
      codes: [],
      blocking: true,
      arms: true,
    },
    {
      name: 'start',
      title: 'Start',
      say: `Oil pressure must be there within ${limits.oilRunningWithinS} s of running. Watch the screen, a hand on the switch.`,
      kind: 'watch',
      watch: { forS: 0, verdict: { code: 'failed-crank' } },
      codes: [],
      blocking: false,
    },
    {
      name: 'lit',
      title: vehicle.engine?.breakIn === 'flat-tappet' ? 'Straight to break-in speed' : 'Let it run',
      say:
        vehicle.engine?.breakIn === 'flat-tappet'
          ? 'A flat-tappet cam must not idle: about 2,000 rpm at once, without load, for 20 minutes. Each cylinder is compared with the others.'
          : 'Without load. Each cylinder is compared with the others as it warms.',
      kind: 'watch',
      watch: { forS: limits.litForS },
      codes: ['cylinder-cold', 'cylinder-lazy'],
      blocking: false,
    },
  ];
}
