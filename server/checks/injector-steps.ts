// Steps of the injector check: pump off, rail bled, then each group commanded from the engine controller's own test. Pure.
import type { InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import { limitsOf } from './check-limits.ts';
import type { Step } from './procedure.ts';
import { amount, said } from './said.ts';

export function injectorSteps(vehicle: Vehicle): Step[] {
  const sets = vehicle.injectorSets.filter(({ cylinders, plans }) => cylinders.length > 0 || plans.length > 0);
  if (sets.length === 0) return [];
  return [
    {
      name: 'pump-off',
      title: 'Pump and spark off',
      say: 'Pull the pump’s relay or fuse, and the coils’ feed.',
      kind: 'confirm',
      codes: [],
      blocking: true,
    },
    ...sets.map((set) => bledStep(vehicle, set)),
    ...sets.flatMap((set) => groupsOf(set).map((group) => chooseStep(vehicle, set, group))),
  ];
}

function bledStep(vehicle: Vehicle, { name, rail }: InjectorSet): Step {
  const base = { name: `bled-${name}`, title: `Rail of ${name} bled`, codes: [], set: name, blocking: true };
  const reference = vehicle.buses
    .flatMap((bus) => bus.frames.flatMap((frame) => frame.signals))
    .find((signal) => signal.name === rail)?.reference;
  if (rail === undefined || reference === undefined) {
    const line =
      rail === undefined ? `injector_sets: { ${name}: { rail: <channel> } }` : `reference: gauge (or absolute) on signal ${rail}`;
    return { ...base, say: `Bleed it into a rag, and confirm by a gauge. The file would let it be watched with ${line}.`, kind: 'confirm' };
  }
  const { bledKpa, bledForS } = limitsOf('injectors', vehicle);
  // The standard atmosphere is near enough for 'bled'.
  const limit = reference === 'absolute' ? 101 + bledKpa : bledKpa;
  return {
    ...base,
    ...said`Bleed it into a rag. This waits until ${rail} stays below ${amount(limit, 'kPa')}.`,
    kind: 'watch',
    watch: { until: `in(${rail}, kPa) < ${limit}`, forS: bledForS },
  };
}

interface Group {
  name?: string;
  cylinders: number[];
}

/** Groups of the plan in force; without plans each injector fires alone. */
function groupsOf({ plans, plan, cylinders }: InjectorSet): Group[] {
  const inForce = plans.find(({ name }) => name === plan) ?? (plans.length === 1 ? plans[0] : undefined);
  if (inForce) return inForce.groups;
  return cylinders.map((cylinder) => ({ cylinders: [cylinder] }));
}

function chooseStep(vehicle: Vehicle, set: InjectorSet, { name, cylinders }: Group): Step {
  const known = vehicle.engine?.cylinders ?? 0;
  const from = known > 0 ? Array.from({ length: known }, (_, i) => i + 1) : [...set.cylinders];
  const what = name === undefined ? `injector ${cylinders.join(', ')}` : `group ${name}`;
  return {
    name: name === undefined ? `${set.name}-${cylinders.join('-')}` : `${set.name}-${name}`,
    title: `${set.name}: ${what}`,
    say: `Command ${what} of ${set.name} from the engine controller’s own test. Listen with a rod at each injector, and tap every one that clicks.`,
    kind: 'choose',
    choose: { set: set.name, ...(name === undefined ? {} : { group: name }), expected: [...cylinders], from },
    codes: ['group-wiring', 'injector-swapped'],
    set: set.name,
    blocking: false,
  };
}
