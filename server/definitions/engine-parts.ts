// The engine and its injector sets: cylinders, banks, probes and groups checked against each other, channels against the vehicle.
import { findUnit } from '../channels/unit.ts';
import type { VehicleText } from './bus-members.ts';
import { toSuggestion } from './nearest-name.ts';
import type { Fault, ProblemList } from './problem.ts';
import type { Engine, EngineRoles, ExhaustProbe, Fuel, GroupPlan, InjectorSet } from './vehicle.ts';
import type { Path, YamlText } from './yaml-text.ts';

/** Answers whether a channel exists, and reports it at a path when not. */
export type CheckChannel = (name: string | undefined, path: Path) => void;

export interface EngineContext {
  file: YamlText;
  problems: ProblemList;
  checkChannel: CheckChannel;
  /** Names of signals and derived channels. */
  channels: ReadonlyMap<string, string>;
}

type EngineText = NonNullable<VehicleText['engine']>;
type SetText = NonNullable<ReturnType<NonNullable<VehicleText['injector_sets']>['get']>>;

/** Keys of `engine` that name a channel, the role each plays, and the channel of the usual name that stands in where the key is absent. */
const roles: [key: keyof EngineText, role: keyof EngineRoles, usual?: string][] = [
  ['speed', 'speed', 'engine_speed'],
  ['throttle', 'throttle', 'throttle'],
  ['manifold_pressure', 'manifoldPressure', 'manifold_pressure'],
  ['timing', 'timing'],
  ['cut', 'cut'],
  ['oil_pressure', 'oilPressure', 'oil_pressure'],
  ['oil_temp', 'oilTemp', 'oil_temp'],
  ['coolant_temp', 'coolantTemp', 'coolant_temp'],
  ['battery', 'battery', 'battery_voltage'],
  ['sync', 'sync', 'sync_state'],
  ['sync_losses', 'syncLosses', 'sync_loss_count'],
];

/** Number of cylinders: as said, else as banks, firing order or probes show; 0 when nothing says it. */
export function countCylinders(text: EngineText | undefined): number {
  if (!text) return 0;
  if (text.cylinders !== undefined) return text.cylinders;
  const named = [
    ...[...(text.banks?.values() ?? [])].flatMap((bank) => bank ?? []),
    ...(text.firing_order ?? []),
    ...[...(text.exhaust_temps?.keys() ?? [])].map(Number),
  ];
  return Math.max(0, ...named.filter((cylinder) => cylinder !== undefined));
}

export function resolveEngine(text: EngineText, context: EngineContext): Engine {
  const cylinders = countCylinders(text);
  checkCylinderLists(text, cylinders, context);
  const barometer = text.barometer;
  if (barometer && 'channel' in barometer) context.checkChannel(barometer.channel, ['engine', 'barometer']);
  return {
    cycle: text.cycle ?? 'four-stroke',
    cylinders,
    banks: [...(text.banks ?? [])].map(([name, list]) => ({ name, cylinders: present(list) })),
    firingOrder: present(text.firing_order),
    roles: resolveRoles(text, context),
    ...(barometer && { barometer }),
    lambda: resolveLambda(text, context),
    runningAboveRpm: text.running_above ?? 400,
    crankingAboveRpm: text.cranking_above ?? 50,
    breakIn: text.break_in,
    exhaustTemps: resolveProbes(text, cylinders, context),
  };
}

function resolveRoles(text: EngineText, { checkChannel, channels, file }: EngineContext): EngineRoles {
  const result: EngineRoles = {};
  for (const [key, role, usual] of roles) {
    const path: Path = ['engine', key];
    const named = text[key] as string | undefined;
    checkChannel(named, path);
    if (named !== undefined) result[role] = named;
    else if (usual !== undefined && channels.has(usual) && !file.rangeOfKey(path)) result[role] = usual;
  }
  return result;
}

function resolveLambda(text: EngineText, { checkChannel, file, problems }: EngineContext): Map<string, string> {
  const lambda = new Map<string, string>();
  for (const [bank, channel] of text.lambda ?? []) {
    const path: Path = ['engine', 'lambda', bank];
    checkChannel(channel, path);
    if (text.banks && !text.banks.has(bank)) {
      problems.addAtKey(file, path, { code: 'BANK_UNKNOWN', say: `no bank '${bank}'`, fix: toSuggestion(bank, text.banks.keys()) });
    }
    if (channel !== undefined) lambda.set(bank, channel);
  }
  return lambda;
}

function resolveProbes(text: EngineText, cylinders: number, { checkChannel, file, problems }: EngineContext): ExhaustProbe[] {
  const probes: ExhaustProbe[] = [];
  const takenBy = new Map<string, string>();
  for (const [key, probe] of text.exhaust_temps ?? []) {
    const path: Path = ['engine', 'exhaust_temps', key];
    const cylinder = Number(key);
    const fault = cylinderFault(cylinder, cylinders);
    if (fault) problems.addAtKey(file, path, fault);
    if (probe?.channel === undefined) continue;
    checkChannel(probe.channel, [...path, 'channel']);
    const other = takenBy.get(probe.channel);
    if (other !== undefined) {
      const say = `cylinders ${other} and ${key} have one channel '${probe.channel}'`;
      problems.addAtValue(file, [...path, 'channel'], { code: 'CHANNELS_SAME_MEANING', say, fix: 'Give each cylinder its own probe.' });
    }
    takenBy.set(probe.channel, key);
    const { channel, lag, place = 'port', probe: thing } = probe;
    probes.push({ cylinder, channel, ...(lag && { lagS: lag }), place, ...(thing !== undefined && { probe: thing }) });
  }
  return probes.sort((a, b) => a.cylinder - b.cylinder);
}

function checkCylinderLists(text: EngineText, cylinders: number, { file, problems }: EngineContext): void {
  const takenBy = new Map<number, string>();
  for (const [bank, list] of text.banks ?? []) {
    checkList(list, cylinders, ['engine', 'banks', bank], file, problems, (cylinder) => {
      const other = takenBy.get(cylinder);
      takenBy.set(cylinder, bank);
      return other === undefined ? undefined : other === bank ? 'in this bank' : `in bank '${other}'`;
    });
  }
  const banksWhole = text.banks && [...text.banks.values()].every((list) => list?.every((cylinder) => cylinder !== undefined));
  const absent = range(cylinders).filter((cylinder) => !takenBy.has(cylinder));
  if (banksWhole && text.cylinders !== undefined && absent.length > 0) {
    const say = `cylinder ${absent.join(', ')} is in no bank`;
    problems.addAtValue(file, ['engine', 'banks'], { code: 'CYLINDER_MISSING', say, fix: `Name each of ${cylinders} cylinders once.` });
  }
  checkFiringOrder(text, cylinders, file, problems);
}

function checkFiringOrder(text: EngineText, cylinders: number, file: YamlText, problems: ProblemList): void {
  const order = text.firing_order;
  if (!order?.every((cylinder) => cylinder !== undefined)) return;
  const twice = order.filter((cylinder, i) => order.indexOf(cylinder) !== i);
  const absent = range(cylinders).filter((cylinder) => !order.includes(cylinder));
  const foreign = order.filter((cylinder) => cylinder > cylinders);
  if (twice.length + absent.length + foreign.length === 0) return;
  const parts = [
    absent.length > 0 && `${absent.join(', ')} missing`,
    twice.length > 0 && `${[...new Set(twice)].join(', ')} more than once`,
    foreign.length > 0 && `${foreign.join(', ')} not one of ${cylinders} cylinders`,
  ].filter(Boolean);
  const say = `a firing order names each cylinder once: ${parts.join('; ')}`;
  problems.addAtValue(file, ['engine', 'firing_order'], {
    code: 'FIRING_ORDER_WRONG',
    say,
    fix: `Write 1 to ${cylinders} in firing order.`,
  });
}

/** Checks each cylinder of a list; `takenBy` says where one stands already. */
function checkList(
  list: (number | undefined)[] | undefined,
  cylinders: number,
  path: Path,
  file: YamlText,
  problems: ProblemList,
  takenBy: (cylinder: number) => string | undefined,
): void {
  for (const [i, cylinder] of (list ?? []).entries()) {
    if (cylinder === undefined) continue;
    const fault = cylinderFault(cylinder, cylinders);
    if (fault) problems.addAtValue(file, [...path, i], fault);
    const where = takenBy(cylinder);
    if (where === undefined) continue;
    const say = `cylinder ${cylinder} stands ${where} already`;
    problems.addAtValue(file, [...path, i], { code: 'CYLINDER_DUPLICATE', say, fix: 'Name each cylinder once.' });
  }
}

/** One injector set; `cylinders` of the engine, 0 when not known. */
export function resolveInjectorSet(name: string, text: SetText, cylinders: number, fuel: Fuel, context: EngineContext): InjectorSet {
  const { file, problems, checkChannel } = context;
  const path: Path = ['injector_sets', name];
  for (const key of ['pulse', 'rail', 'discharge'] as const) checkChannel(text[key], [...path, key]);
  checkOwnList(text.cylinders, cylinders, [...path, 'cylinders'], context);
  for (const key of text.injectors?.keys() ?? []) {
    const fault = cylinderFault(Number(key), cylinders);
    if (fault) problems.addAtKey(file, [...path, 'injectors', key], fault);
  }
  const plans = resolvePlans(text, cylinders, path, context);
  const plan = text.plan ?? (plans.length === 1 ? plans[0]?.name : undefined);
  if (text.plan !== undefined && !text.plans?.has(text.plan)) {
    const fix = toSuggestion(text.plan, text.plans?.keys() ?? []);
    problems.addAtValue(file, [...path, 'plan'], { code: 'PLAN_UNKNOWN', say: `no plan '${text.plan}'`, fix });
  }
  checkGroupAngles(text, path, context);
  const inForce = plans.find((one) => one.name === plan);
  const said = present(text.cylinders);
  const fed = said.length > 0 ? said : (inForce?.groups.flatMap((group) => group.cylinders) ?? []);
  return {
    name,
    ...(text.pulse !== undefined && { pulse: text.pulse }),
    pulseIs: {
      per: text.pulse_is?.startsWith('per cycle') ? 'cycle' : 'event',
      deadTime: text.pulse_is?.endsWith('without dead time') ? 'excluded' : 'included',
    },
    ...(text.injections_per_cycle !== undefined && { injectionsPerCycle: text.injections_per_cycle }),
    cylinders: [...fed].sort((a, b) => a - b),
    ...(text.flow && { flow: { ccPerMin: toCcPerMin(text.flow, fuel), atKpa: text.flow.atKpa } }),
    ...(text.pump && { pump: { ccPerMin: toCcPerMin(text.pump, fuel), atKpa: text.pump.atKpa } }),
    deadTime: text.dead_time ?? [],
    injectors: new Map([...(text.injectors ?? [])].flatMap(([key, thing]) => (thing === undefined ? [] : [[Number(key), thing]]))),
    ...(text.rail !== undefined && { rail: text.rail }),
    ...(text.discharge !== undefined && { discharge: text.discharge }),
    ...(text.target !== undefined && { targetKpa: text.target }),
    plans,
    ...(plan !== undefined && { plan }),
    ...(text.group_angles && { groupAngles: text.group_angles }),
  };
}

function resolvePlans(text: SetText, cylinders: number, path: Path, context: EngineContext): GroupPlan[] {
  const { file, problems } = context;
  const plans: GroupPlan[] = [];
  for (const [planName, groups] of text.plans ?? []) {
    const planPath: Path = [...path, 'plans', planName];
    const takenBy = new Map<number, string>();
    for (const [group, list] of groups ?? []) {
      checkList(list, cylinders, [...planPath, group], file, problems, (cylinder) => {
        const other = takenBy.get(cylinder);
        takenBy.set(cylinder, group);
        return other === undefined ? undefined : `in group '${other}'`;
      });
    }
    const wanted = present(text.cylinders);
    const absent = (wanted.length > 0 ? wanted : range(cylinders)).filter((cylinder) => !takenBy.has(cylinder));
    if (absent.length > 0 && groups && [...groups.values()].every((list) => list?.every((cylinder) => cylinder !== undefined))) {
      const say = `plan '${planName}' has no group for cylinder ${absent.join(', ')}`;
      const fix = 'Put each cylinder into one group, or say `cylinders` that the set feeds.';
      problems.addAtKey(file, planPath, { code: 'CYLINDER_MISSING', say, fix });
    }
    plans.push({ name: planName, groups: [...(groups ?? [])].map(([name, list]) => ({ name, cylinders: present(list) })) });
  }
  return plans;
}

function checkOwnList(list: (number | undefined)[] | undefined, cylinders: number, path: Path, { file, problems }: EngineContext): void {
  const seen = new Set<number>();
  checkList(list, cylinders, path, file, problems, (cylinder) => {
    const again = seen.has(cylinder);
    seen.add(cylinder);
    return again ? 'in this list' : undefined;
  });
}

function checkGroupAngles(text: SetText, path: Path, { file, problems }: EngineContext): void {
  const groups = new Set([...(text.plans?.values() ?? [])].flatMap((plan) => [...(plan?.keys() ?? [])]));
  for (const group of text.group_angles?.anglesDeg.keys() ?? []) {
    if (groups.has(group)) continue;
    const say = `no plan has a group '${group}'`;
    problems.addAtKey(file, [...path, 'group_angles', group], { code: 'GROUP_UNKNOWN', say, fix: toSuggestion(group, groups) });
  }
}

/**
 * Rated flow by volume. A flow by mass needs the fuel's density: 1 lb/h is 7.559873 / 0.792 = 9.55 cc/min of methanol.
 */
function toCcPerMin(flow: { flow: number; unit: string }, fuel: Fuel): number {
  const unit = findUnit(flow.unit);
  if (unit?.dimension !== 'mass-flow') return flow.flow;
  const gramsPerMinute = flow.flow * unit.scale * 60;
  return gramsPerMinute / fuel.densityKgPerL;
}

function cylinderFault(cylinder: number, cylinders: number): Fault | undefined {
  if (cylinders === 0 || cylinder <= cylinders) return undefined;
  return {
    code: 'CYLINDER_UNKNOWN',
    say: `the engine has ${cylinders} cylinders, and no cylinder ${cylinder}`,
    fix: `Write 1 to ${cylinders}.`,
  };
}

function present(list: (number | undefined)[] | undefined): number[] {
  return (list ?? []).filter((cylinder) => cylinder !== undefined);
}

function range(count: number): number[] {
  return Array.from({ length: count }, (_, i) => i + 1);
}
