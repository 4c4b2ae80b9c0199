// What each signal of a vehicle shows: the part that its channel plays in the engine, else by name and unit, else a plausible slow walk.
import { findUnit, toUnit } from '../channels/unit.ts';
import type { Signal, Vehicle } from '../definitions/vehicle.ts';
import type { Driver } from './driver.ts';
import type { EngineModel } from './engine-model.ts';
import type { FaultBoard } from './fault.ts';
import { Random } from './random.ts';

/** The value of a signal now, in its own unit; NaN when the sensor is open. */
export type Reading = () => number;

/** A number with the unit that the model keeps it in; noise is one standard deviation in that unit. */
interface Quantity {
  unit: string;
  read: Reading;
  noise: number;
}

const wander = Math.PI * 2;
/** A nameless number of so few bits is a setting rather than a measurement: it stays. */
const fewBits = 4;

/** Makes the reading of each signal of one vehicle. */
export class Readings {
  /** Simulated time, seconds; set by the simulation before values are read. */
  nowS = 0;
  private readonly parts: Map<string, Quantity>;
  private readonly engine: EngineModel;
  private readonly driver: Driver;
  private readonly faults: FaultBoard;
  private readonly seed: number;
  private readonly scatter: number;
  private readonly probes: ReadonlySet<string>;
  private readonly groups: ReadonlyMap<string, string[]>[];

  constructor(vehicle: Vehicle, engine: EngineModel, driver: Driver, faults: FaultBoard, seed: number, scatter: number) {
    this.engine = engine;
    this.driver = driver;
    this.faults = faults;
    this.seed = seed;
    this.scatter = scatter;
    this.probes = new Set(vehicle.engine?.exhaustTemps.map((probe) => probe.channel));
    this.groups = [vehicle.supplies, vehicle.grounds];
    this.parts = partsOf(vehicle, engine, faults);
  }

  /** The reading of one signal, its sensor's noise and faults included. */
  of(signal: Signal): Reading {
    const random = new Random(this.seed, `signal ${signal.name}`);
    const quantity = this.parts.get(signal.name) ?? this.flag(signal) ?? byName(signal, this.engine, this) ?? this.walk(signal, random);
    const convert = converter(quantity.unit, signal, this.engine);
    const noise = quantity.noise * this.scatter;
    const plain: Reading = noise > 0 ? () => convert(quantity.read() + random.normal(noise)) : () => convert(quantity.read());
    return this.withFaults(signal, this.probes.has(signal.name) ? plain : saturating(signal, plain), random);
  }

  private withFaults(signal: Signal, plain: Reading, random: Random): Reading {
    const { faults } = this;
    const groups = this.groups.flatMap((kind) =>
      [...kind].filter(([, channels]) => channels.includes(signal.name)).map(([group]) => group),
    );
    let stuck: number | undefined;
    return () => {
      if (faults.quiet) {
        stuck = undefined;
        return plain();
      }
      let value = plain();
      for (const fault of faults.of('sensor_offset')) if (fault.channel === signal.name) value += fault.amount;
      for (const fault of faults.of('sensor_noise')) if (fault.channel === signal.name) value += random.normal(fault.amount);
      for (const fault of faults.of('supply_shift')) {
        const hit = fault.channel === signal.name || (fault.group !== undefined && groups.includes(fault.group));
        const load = this.driver.controls.load;
        if (hit && load !== undefined && (fault.load ?? load) === load) value += (fault.amount / 100) * spanOf(signal, value);
      }
      if (!faults.of('sensor_stuck').some((fault) => fault.channel === signal.name)) stuck = undefined;
      else stuck ??= value;
      return stuck ?? value;
    };
  }

  /** A channel that nothing explains: it walks slowly inside the middle of its range, and counts if it is a count. */
  private walk(signal: Signal, random: Random): Quantity {
    if (signal.states.size > 0) return this.state(signal);
    if (signal.unit === '' && signal.bitLength <= fewBits) return { unit: '', noise: 0, read: () => signal.offset };
    const [low, high] = walkRange(signal);
    const middle = random.between(low + 0.4 * (high - low), low + 0.6 * (high - low));
    const swing = 0.08 * (high - low);
    const periods = [random.between(17, 29), random.between(41, 73)];
    const phase = random.between(0, wander);
    if (signal.unit === 'count') return { unit: 'count', noise: 0, read: () => Math.floor(this.nowS / (periods[0] as number)) };
    if (['h', 'min', 's'].includes(signal.unit) && signal.max === undefined) {
      return { unit: 's', noise: 0, read: () => middle + this.nowS };
    }
    return {
      unit: signal.unit,
      noise: 0.001 * (high - low),
      read: () =>
        middle +
        swing *
          (0.6 * Math.sin((wander * this.nowS) / (periods[0] as number) + phase) +
            0.4 * Math.sin((wander * this.nowS) / (periods[1] as number))),
    };
  }

  /** A named state: the one whose name fits what the engine does, else one that says that all is well, else the first. */
  private state(signal: Signal): Quantity {
    const named = [...signal.states].map(([raw, name]) => ({
      value: Number(raw) * signal.factor + signal.offset,
      name: name.toLowerCase(),
    }));
    const find = (pattern: RegExp): number | undefined => named.find((state) => pattern.test(state.name))?.value;
    const running = find(/run/);
    const cranking = find(/crank|start/);
    const usual = find(/good|^ok|normal|ready|valid/) ?? find(/off|idle|none|stop|closed/) ?? named[0]?.value ?? 0;
    if (running === undefined) return { unit: signal.unit, noise: 0, read: () => usual };
    const stopped = find(/stop|off|idle|ready|none/) ?? usual;
    return {
      unit: signal.unit,
      noise: 0,
      read: () => (this.engine.running ? running : this.driver.controls.starter ? (cranking ?? stopped) : stopped),
    };
  }

  /** A signal of one or two bits that says whether something is on, by its name. */
  private flag(signal: Signal): Quantity | undefined {
    if (signal.bitLength > 2 || signal.unit !== '' || signal.factor !== 1) return undefined;
    const flag = flags.find(([pattern]) => pattern.test(signal.name));
    return flag && { unit: '', noise: 0, read: () => (flag[1](this.engine, this.driver) ? 1 : 0) };
  }
}

const flags: [pattern: RegExp, isOn: (m: EngineModel, driver: Driver) => boolean][] = [
  [/limiter/, (m) => m.limiterCut],
  [/(^|_)cut(_|$)/, (m) => m.cut],
  [/fuel_pump|pump_on/, (m) => m.pumpOn],
  [/(^|_)fan(_|$)/, (m) => m.coolantC > 88],
  [/starter|cranking/, (_, driver) => driver.controls.starter],
  [/running/, (m) => m.running],
  [/ignition|(^|_)key(_|$)/, (_, driver) => driver.controls.key],
];

/** What a channel of a known part in the engine shows. */
function partsOf(vehicle: Vehicle, m: EngineModel, faults: FaultBoard): Map<string, Quantity> {
  const parts = new Map<string, Quantity>();
  const add = (channel: string | undefined, unit: string, noise: number, read: Reading): void => {
    if (channel !== undefined && !parts.has(channel)) parts.set(channel, { unit, noise, read });
  };
  const { engine } = vehicle;
  const roles = engine?.roles ?? {};
  add(roles.speed, 'rpm', 0, () => m.speedRpm);
  add(roles.throttle, '%', 0.05, () => throttleReading(m, faults));
  add(roles.manifoldPressure, 'kPa', 0.25, () => m.manifoldKpa);
  add(roles.timing, 'deg', 0, () => m.timingDeg);
  add(roles.cut, '', 0, () => (m.cut ? 1 : 0));
  add(roles.oilPressure, 'kPa', 1.2, () => m.baroKpa + m.oilKpa);
  add(roles.oilTemp, 'degC', 0.1, () => m.oilC);
  add(roles.coolantTemp, 'degC', 0.1, () => m.coolantC);
  add(roles.battery, 'V', 0.015, () => m.batteryV);
  add(roles.sync, '', 0, () => m.sync);
  add(roles.syncLosses, 'count', 0, () => m.syncLosses);
  if (engine?.barometer && 'channel' in engine.barometer) add(engine.barometer.channel, 'kPa', 0.03, () => m.baroKpa);
  const banks = engine?.banks ?? [];
  for (const [bank, channel] of engine?.lambda ?? []) {
    const index = Math.max(
      0,
      banks.findIndex((b) => b.name === bank),
    );
    add(channel, 'lambda', 0.004, () => m.bankLambda[index] ?? 1);
  }
  for (const probe of engine?.exhaustTemps ?? []) add(probe.channel, 'degC', 0, () => m.exhaust.readC[probe.cylinder - 1] ?? m.ambientC);
  for (const set of m.sets) {
    const file = vehicle.injectorSets.find((s) => s.name === set.name);
    add(file?.pulse, 'ms', 0, () => set.pulseMs);
    add(file?.rail, 'kPa', 0.8, () => set.railKpa);
  }
  for (const set of vehicle.injectorSets)
    add(set.discharge, 'kPa', 0.2, () => (/manifold|map\b|boost/.test(set.discharge ?? '') ? m.manifoldKpa : m.baroKpa));
  return parts;
}

function throttleReading(m: EngineModel, faults: FaultBoard): number {
  for (const fault of faults.of('throttle_dead_spot')) if (Math.abs(m.throttlePercent - fault.amount) < 3) return 0.4;
  return m.throttlePercent;
}

/** Parts that a name gives away, where no role says them. */
function byName(signal: Signal, m: EngineModel, at: Readings): Quantity | undefined {
  const dimension = findUnit(signal.unit)?.dimension;
  for (const [kind, pattern, make] of namedParts) if (kind === dimension && pattern.test(signal.name)) return make(m, at);
  return undefined;
}

type NamedPart = [dimension: string, pattern: RegExp, make: (m: EngineModel, at: Readings) => Quantity];

const namedParts: NamedPart[] = [
  ['temperature', /intake|inlet|charge|air/, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.intakeC })],
  ['temperature', /fuel/, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.fuelC })],
  ['temperature', /oil/, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.oilC })],
  ['temperature', /coolant|water/, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.coolantC })],
  ['temperature', /box|board|junction|case|internal/, (m) => ({ unit: 'degC', noise: 0.05, read: () => m.boxC })],
  ['temperature', /gear|trans/, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.ambientC + 0.45 * (m.oilC - m.ambientC) })],
  ['temperature', /./, (m) => ({ unit: 'degC', noise: 0.1, read: () => m.ambientC + 0.15 * (m.coolantC - m.ambientC) })],
  ['voltage', /sensor|reference|5v/, () => ({ unit: 'V', noise: 0.002, read: () => 5.01 })],
  ['voltage', /batt|supply|system|volt/, (m) => ({ unit: 'V', noise: 0.015, read: () => m.batteryV - 0.08 })],
  ['speed-of-rotation', /turbo/, (m) => ({ unit: 'rpm', noise: 60, read: () => m.turboRpm })],
  [
    'speed-of-rotation',
    /pump|jet|shaft|output|roller/,
    (m) => ({ unit: 'rpm', noise: 2, read: () => (m.running ? 0.86 * m.speedRpm : 0) }),
  ],
  ['speed-of-rotation', /./, (m) => ({ unit: 'rpm', noise: 1, read: () => m.speedRpm })],
  ['speed', /./, (m) => ({ unit: 'km/h', noise: 0.05, read: () => (m.running ? Math.max(0, m.speedRpm - 1200) / 60 : 0) })],
  ['pressure', /station|baro|ambient/, (m) => ({ unit: 'kPa', noise: 0.03, read: () => m.baroKpa })],
  ['pressure', /manifold|boost|map/, (m) => ({ unit: 'kPa', noise: 0.25, read: () => m.manifoldKpa })],
  ['pressure', /oil/, (m) => ({ unit: 'kPa', noise: 1.2, read: () => m.baroKpa + m.oilKpa })],
  ['pressure', /fuel|rail/, (m) => ({ unit: 'kPa', noise: 1, read: () => m.sets[0]?.railKpa ?? m.baroKpa })],
  ['pressure', /crankcase/, (m) => ({ unit: 'kPa', noise: 0.1, read: () => m.baroKpa + 2 * m.load })],
  ['pressure', /exhaust|back/, (m) => ({ unit: 'kPa', noise: 0.5, read: () => m.baroKpa + 90 * m.load * (m.speedRpm / m.limitRpm) })],
  ['pressure', /water|coolant|jet/, (m) => ({ unit: 'kPa', noise: 1, read: () => m.baroKpa + 120 * (m.speedRpm / m.limitRpm) ** 2 })],
  ['volume-flow', /fuel|flow/, (m) => ({ unit: 'cc/min', noise: 2, read: () => m.sets.reduce((sum, set) => sum + set.flowCcPerMin, 0) })],
  ['ratio', /throttle|pedal/, (m) => ({ unit: '%', noise: 0.05, read: () => m.throttlePercent })],
  ['ratio', /load|torque/, (m) => ({ unit: '%', noise: 0.2, read: () => 100 * m.load })],
  ['torque', /./, (m) => ({ unit: 'Nm', noise: 1, read: () => (m.running ? 90 * m.cylinders * m.load : 0) })],
  ['power', /./, (m) => ({ unit: 'kW', noise: 0.3, read: () => (m.running ? (90 * m.cylinders * m.load * m.speedRpm) / 9549 : 0) })],
  ['lambda', /target/, () => ({ unit: 'lambda', noise: 0, read: () => 0.85 })],
  ['lambda', /./, (m) => ({ unit: 'lambda', noise: 0.004, read: () => m.bankLambda[0] ?? 1 })],
  ['angle', /timing|ignition|spark|advance/, (m) => ({ unit: 'deg', noise: 0, read: () => m.timingDeg })],
  ['time', /pulse|inject/, (m) => ({ unit: 'ms', noise: 0, read: () => m.sets[0]?.pulseMs ?? 0 })],
  ['time', /up_?time|run_?time|hours/, (_, at) => ({ unit: 's', noise: 0, read: () => at.nowS })],
  ['count', /sync/, (m) => ({ unit: 'count', noise: 0, read: () => m.syncLosses })],
];

/** From the model's unit to the signal's: pressures are absolute inside, and become gauge where the signal says so or its part is usually so. */
function converter(from: string, signal: Signal, m: EngineModel): (value: number) => number {
  const to = signal.unit;
  if (findUnit(from)?.dimension === 'pressure' && findUnit(to)?.dimension === 'pressure') {
    const gauge =
      signal.reference === 'gauge' ||
      (signal.reference === undefined && /oil|rail|fuel/.test(signal.name)) ||
      signal.reference === 'differential';
    const scale = toUnit(1, from, to);
    return gauge ? (value) => (value - m.baroKpa) * scale : (value) => value * scale;
  }
  if (from === to || !findUnit(from) || !findUnit(to)) return (value) => value;
  if (from === 'lambda' && to === 'afr') return (value) => value * m.stoichiometricAfr;
  if (findUnit(from)?.dimension !== findUnit(to)?.dimension) return (value) => value;
  const zero = toUnit(0, from, to);
  const one = toUnit(1, from, to) - zero;
  return (value) => value * one + zero;
}

function spanOf(signal: Signal, value: number): number {
  return signal.min !== undefined && signal.max !== undefined ? signal.max - signal.min : Math.abs(value);
}

function walkRange(signal: Signal): [low: number, high: number] {
  const bits = Math.min(32, signal.bitLength);
  const span = signal.sign === 'float' ? 100 : 2 ** bits - 1;
  const lowRaw = signal.sign === 'signed' ? -(2 ** (bits - 1)) : 0;
  const ends = [lowRaw, lowRaw + span].map((raw) => raw * signal.factor + signal.offset).sort((a, b) => a - b);
  return [signal.min ?? (ends[0] as number), signal.max ?? (ends[1] as number)];
}

/** A sensor goes no further than its range. A thermocouple box does: what it reads beyond shows how its probe is wired. */
function saturating(signal: Signal, plain: Reading): Reading {
  const low = signal.min ?? Number.NEGATIVE_INFINITY;
  const high = signal.max ?? Number.POSITIVE_INFINITY;
  if (low === Number.NEGATIVE_INFINITY && high === Number.POSITIVE_INFINITY) return plain;
  return () => Math.min(high, Math.max(low, plain()));
}
