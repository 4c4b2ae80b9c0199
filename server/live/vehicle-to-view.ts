// The resolved vehicle in the form that pages get: names instead of indices, channels of each cylinder gathered, bits laid out.
import type { Channel } from '../channels/channel-list.ts';
import { toUnit } from '../channels/unit.ts';
import type { BusView, ChannelView, CylinderView, EngineView, InjectorSetView, VehicleView } from '../contract/vehicle-view.ts';
import { toNamePart } from '../definitions/built-in-names.ts';
import type { Bus, Engine, Frame, InjectorSet, Problem, Signal, Vehicle } from '../definitions/vehicle.ts';
import { toBitNumbers, whenText } from './why.ts';

/** What of a channel's name a page may rely on: it is in the list. */
type Known = (name: string | undefined) => string | undefined;

export function toVehicleView(
  vehicle: Vehicle,
  channels: readonly Channel[],
  epoch: number,
  diskProblems: readonly Problem[],
): VehicleView {
  const names = new Set(channels.map((channel) => channel.name));
  const known: Known = (name) => (name !== undefined && names.has(name) ? name : undefined);
  return withoutUndefined({
    epoch,
    hash: vehicle.hash,
    name: vehicle.name,
    fuel: vehicle.fuel.name,
    engine: vehicle.engine && toEngineView(vehicle, vehicle.engine, known),
    injectorSets: vehicle.injectorSets.map((set) => toSetView(set, known)),
    channels: channels.map((channel) => toChannelView(vehicle, channels, channel)),
    buses: vehicle.buses.map((bus) => toBusView(bus, known)),
    alarms: vehicle.alarms.map(({ at: _, ...rule }) => rule),
    limits: withoutUndefined({
      exhaustTempC: vehicle.limits.exhaustTempC,
      exhaustSpreadK: vehicle.limits.exhaustSpreadK,
      dutyPercent: vehicle.limits.dutyPercent,
    }),
    problems: [...vehicle.warnings, ...diskProblems].map((problem) => ({ ...problem })),
  });
}

function toEngineView(vehicle: Vehicle, engine: Engine, known: Known): EngineView {
  return withoutUndefined({
    cycle: engine.cycle,
    banks: engine.banks,
    firingOrder: engine.firingOrder,
    cylinders: engine.banks.flatMap((bank) =>
      bank.cylinders.map((cylinder, position) => toCylinderView(vehicle, engine, cylinder, bank.name, position, known)),
    ),
    roles: withoutUndefined({ ...engine.roles }),
    barometer: engine.barometer && 'channel' in engine.barometer ? engine.barometer.channel : undefined,
    lambda: Object.fromEntries(engine.lambda),
    spread: known('exhaust_spread'),
    bankSpread: Object.fromEntries(
      engine.banks.flatMap(({ name }) => {
        const spread = known(`exhaust_spread_${toNamePart(name)}`);
        return spread ? [[name, spread]] : [];
      }),
    ),
    running: known('engine_running'),
    cranking: known('engine_cranking'),
    runningAboveRpm: engine.runningAboveRpm,
    crankingAboveRpm: engine.crankingAboveRpm,
  });
}

function toCylinderView(vehicle: Vehicle, engine: Engine, cylinder: number, bank: string, position: number, known: Known): CylinderView {
  const probe = engine.exhaustTemps.find((temp) => temp.cylinder === cylinder);
  const groups: Record<string, string> = {};
  const injectors: Record<string, string> = {};
  for (const set of vehicle.injectorSets) {
    const plan = set.plans.find(({ name }) => name === set.plan);
    const group = plan?.groups.find(({ cylinders }) => cylinders.includes(cylinder));
    if (group) groups[set.name] = group.name;
    const injector = set.injectors.get(cylinder);
    if (injector !== undefined) injectors[set.name] = injector;
  }
  return withoutUndefined({
    cylinder,
    bank,
    position,
    exhaustTemp: probe && known(probe.channel),
    deviation: known(`exhaust_deviation_${cylinder}`),
    rate: known(`exhaust_rate_${cylinder}`),
    timeToLimit: known(`exhaust_time_to_limit_${cylinder}`),
    gasEstimate: known(`exhaust_gas_estimate_${cylinder}`),
    probe: probe?.probe,
    place: probe?.place,
    lagS: probe?.lagS,
    groups,
    injectors,
  });
}

function toSetView(set: InjectorSet, known: Known): InjectorSetView {
  return withoutUndefined({
    name: set.name,
    cylinders: set.cylinders,
    injectionsPerCycle: set.injectionsPerCycle,
    pulse: set.pulse,
    duty: known(`duty_${toNamePart(set.name)}`),
    flow: known(`flow_${toNamePart(set.name)}`),
    fuelDelta: known(`fuel_delta_${toNamePart(set.name)}`),
    rail: set.rail,
    discharge: set.discharge,
    targetKpa: set.targetKpa,
    plan: set.plan,
    plans: set.plans,
  });
}

function toChannelView(vehicle: Vehicle, channels: readonly Channel[], channel: Channel): ChannelView {
  const { index, name, kind, unit, reference, min, max, formula, frame, signal } = channel;
  return withoutUndefined({
    index,
    name,
    kind,
    unit,
    reference,
    min,
    max,
    formula,
    bus: channel.bus === undefined ? undefined : vehicle.buses[channel.bus]?.name,
    device: frame?.device,
    frame: frame?.name,
    inputs: channel.inputs.map((input) => channels[input]?.name ?? ''),
    states: signal && signal.states.size > 0 ? statesOf(signal) : undefined,
    limit: limitOf(vehicle, channel),
  });
}

function statesOf(signal: Signal): Record<string, string> {
  return Object.fromEntries([...signal.states].map(([raw, state]) => [raw.toString(), state]));
}

function limitOf(vehicle: Vehicle, channel: Channel): number | undefined {
  const { limits, engine, injectorSets } = vehicle;
  if (channel.name === 'exhaust_spread' || channel.name.startsWith('exhaust_spread_')) return limits.exhaustSpreadK;
  if (injectorSets.some((set) => channel.name === `duty_${toNamePart(set.name)}`)) return limits.dutyPercent;
  const isProbe = engine?.exhaustTemps.some((temp) => temp.channel === channel.name);
  if (!isProbe || limits.exhaustTempC === undefined) return undefined;
  return toUnit(limits.exhaustTempC, 'degC', channel.unit);
}

function toBusView(bus: Bus, known: Known): BusView {
  return withoutUndefined({
    name: bus.name,
    index: bus.index,
    bitRate: bus.bitRate,
    dataBitRate: bus.dataBitRate,
    interface: bus.interface,
    loadChannel: known(`bus_load_${toNamePart(bus.name)}`),
    errorsChannel: known(`bus_errors_${toNamePart(bus.name)}`),
    devices: bus.devices.map(({ name, kind, title, frames }) => ({ name, kind, title, frames: frames.map(toFrameView) })),
    trunk: bus.trunk?.map((item) => withoutUndefined({ ...item })),
  });
}

function toFrameView(frame: Frame): BusView['devices'][number]['frames'][number] {
  const { name, id, pgn, extended, fd, lengthBytes, periodUs, counter } = frame;
  return withoutUndefined({ name, id, pgn, extended, fd, lengthBytes, periodUs, counter, signals: frame.signals.map(toSignalView) });
}

function toSignalView(signal: Signal): BusView['devices'][number]['frames'][number]['signals'][number] {
  const { name, channel, startBit, bitLength, byteOrder, sign, factor, offset, unit } = signal;
  const when = signal.when.length > 0 ? whenText(signal.when) : undefined;
  return withoutUndefined({ name, channel, startBit, bitLength, byteOrder, sign, factor, offset, unit, bits: toBitNumbers(signal), when });
}

type Defined<T> = { [K in keyof T as undefined extends T[K] ? never : K]: T[K] } & {
  [K in keyof T as undefined extends T[K] ? K : never]?: Exclude<T[K], undefined>;
};

/** JSON has no undefined: keys without a value are left out, in the type too. */
function withoutUndefined<T extends object>(from: T): Defined<T> {
  return Object.fromEntries(Object.entries(from).filter(([, value]) => value !== undefined)) as Defined<T>;
}
