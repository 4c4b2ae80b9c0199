// The resolved vehicle: what a folder of definition files says, with defaults filled in and every reference followed.
// Everything downstream (decoder, channels, checks, studies, simulator, pages) works from this and never from YAML.

/** A place in a definition file; line and column count from 1. */
export interface Location {
  file: string;
  line: number;
  column: number;
}

/** A file as it was read: part of the record, so that a session can be read again without the folder. */
export interface DefinitionFile {
  /** Relative to the vehicle folder, with `/`. */
  path: string;
  text: string;
}

/** A fault in a user's file. All of them are reported at once. */
export interface Problem extends Location {
  code: string;
  severity: 'error' | 'warning';
  /** The offending text. */
  found: string;
  /** Column just behind the offending text, on the same line. */
  endColumn: number;
  say: string;
  /** What to do about it. */
  fix: string;
}

/**
 * Inclusive range of raw values; both ends keep all 64 bits. A raw value is always the signal's bit pattern read as unsigned
 * (0 to 2^bitLength - 1), whatever its sign: in a file, -1 of a signed 8-bit signal is stored here as 0xFF.
 */
export interface RawRange {
  from: bigint;
  to: bigint;
}

export type Reference = 'gauge' | 'absolute' | 'differential';

/** One condition of a multiplexed signal: the raw value of `signal` (of the same frame) lies in one of `ranges`. */
export interface When {
  signal: string;
  ranges: RawRange[];
}

export interface Signal {
  /** Channel name, prefix included. */
  name: string;
  /** Index of its channel: signals come first in the channel list, in the order of buses, frames, signals. */
  channel: number;
  /**
   * Bit 0 is the least significant bit of byte 0. For `little` the start bit is the signal's least significant bit, for `big` its
   * most significant: `{ start_bit: 23, bit_length: 16, byte_order: big }` takes bytes 2 and 3, byte 2 the high one.
   */
  startBit: number;
  /** 1 to 64. */
  bitLength: number;
  byteOrder: 'little' | 'big';
  sign: 'unsigned' | 'signed' | 'float';
  factor: number;
  offset: number;
  /** A unit of `channels/unit.ts`, or '' for none. */
  unit: string;
  reference?: Reference;
  min?: number;
  max?: number;
  fault: RawRange[];
  notAvailable: RawRange[];
  /** Raw value (the unsigned bit pattern) → name. */
  states: ReadonlyMap<bigint, string>;
  /** All must hold for the signal to be present; the conditions of the signals named here are included (nesting is followed). */
  when: When[];
  at: Location;
}

export interface Frame {
  /** Prefix included; unique on its bus. */
  name: string;
  bus: number;
  /** Name of the device instance that sends it. */
  device: string;
  /** 11 or 29 bits; undefined when `pgn` is given. */
  id?: number;
  /** J1939 parameter group; matches any priority. */
  pgn?: number;
  /** With `pgn`: which source addresses count; undefined is any. */
  sourceAddresses?: { from: number; to: number }[];
  extended: boolean;
  fd: boolean;
  lengthBytes: number;
  periodUs?: number;
  /** Name of the signal that counts frames. */
  counter?: string;
  signals: Signal[];
  at: Location;
}

export interface Device {
  /** Instance name (`as`, or the device's own name). */
  name: string;
  /** The `device:` of its file. */
  kind: string;
  title: string;
  bus: number;
  prefix: string;
  idOffset: number;
  frames: Frame[];
  at: Location;
}

/** One thing along the trunk, in order. A terminator on its own, a device, or the listener (this tool's adapter). */
export interface TrunkItem {
  kind: 'terminator' | 'device' | 'listener';
  /** Device instance name, the listener's name, or 'terminator'. */
  name: string;
  stubM?: number;
  /** It has a terminator built in (or fitted at its plug). */
  terminated: boolean;
}

export interface Bus {
  name: string;
  index: number;
  bitRate: number;
  /** CAN FD data phase, bit/s. */
  dataBitRate?: number;
  /** Operating system's interface name; picks the bus in recorded files of several. */
  interface?: string;
  devices: Device[];
  frames: Frame[];
  /** Undefined when `trunk` says nothing about this bus. */
  trunk?: TrunkItem[];
  at: Location;
}

export interface Bank {
  name: string;
  /** Front to back. */
  cylinders: number[];
}

export interface ExhaustProbe {
  cylinder: number;
  channel: string;
  /** First-order time constant in exhaust flow, seconds, low and high. */
  lagS?: { low: number; high: number };
  place: 'port' | 'collector' | 'before turbine' | 'after turbine' | string;
  /** The probe itself, so that a swap shows. */
  probe?: string;
}

/** Channels that play a part; each undefined when neither named nor present under its usual name. */
export interface EngineRoles {
  speed?: string;
  throttle?: string;
  manifoldPressure?: string;
  timing?: string;
  /** While true (not 0), temperatures and spread are not judged. */
  cut?: string;
  oilPressure?: string;
  oilTemp?: string;
  coolantTemp?: string;
  battery?: string;
  /** 0 none, 1 seeking, 2 synced. */
  sync?: string;
  syncLosses?: string;
}

export interface Engine {
  /** Four-stroke when not said. */
  cycle: 'four-stroke' | 'two-stroke';
  /** 0 when nothing in the file says it (then nothing by cylinder is judged). */
  cylinders: number;
  /** Empty when not said. */
  banks: Bank[];
  /** Empty when not said. */
  firingOrder: number[];
  roles: EngineRoles;
  /** With `altitudeM` the value is the standard atmosphere's there: good to the weather's 3 kPa. */
  barometer?: { channel: string } | { valueKpa: number; at?: string; altitudeM?: number };
  /** Bank name → channel. */
  lambda: ReadonlyMap<string, string>;
  runningAboveRpm: number;
  crankingAboveRpm: number;
  breakIn: 'roller' | 'flat-tappet' | 'none' | undefined;
  /** In cylinder order; a cylinder without a probe is absent. */
  exhaustTemps: ExhaustProbe[];
}

export interface InjectorGroup {
  name: string;
  cylinders: number[];
}

export interface GroupPlan {
  name: string;
  groups: InjectorGroup[];
}

export interface InjectorSet {
  name: string;
  /** Channel of the commanded pulse; undefined when not said (then duty and flow are not judged). */
  pulse?: string;
  pulseIs: { per: 'event' | 'cycle'; deadTime: 'included' | 'excluded' };
  /** Per 720° of crank; undefined when not said (then duty and flow are not judged). */
  injectionsPerCycle?: number;
  /** Cylinders that it feeds (for a batch set: those of the plan). */
  cylinders: number[];
  flow?: { ccPerMin: number; atKpa: number };
  /** What its pump delivers at a rail pressure; undefined when not said. */
  pump?: { ccPerMin: number; atKpa: number };
  /** [supply V, dead time ms], ascending in V; one row is a constant. Empty when not said. */
  deadTime: [volts: number, ms: number][];
  /** Cylinder → the injector itself. */
  injectors: ReadonlyMap<number, string>;
  rail?: string;
  discharge?: string;
  targetKpa?: number;
  plans: GroupPlan[];
  /** Name of the plan in force. */
  plan?: string;
  groupAngles?: { zero: string; anglesDeg: ReadonlyMap<string, number> };
}

export interface DerivedChannel {
  name: string;
  formula: string;
  unit: string;
  min?: number;
  max?: number;
  at: Location;
}

export type Severity = 'advisory' | 'caution' | 'warning';

/** An alarm of the file, or one made from `limits` or a built-in rule. */
export interface AlarmRule {
  name: string;
  when: string;
  /** Gate; a bad one keeps its last state. */
  while?: string;
  armAfterUs: number;
  forUs: number;
  /** Condition that ends it; default: `when` is false. */
  clear?: string;
  severity: Severity;
  latch: boolean;
  advice: string;
  at: Location;
}

export interface Limits {
  exhaustTempC?: number;
  exhaustSpreadK?: number;
  dutyPercent?: number;
  at: Location;
}

export interface Fuel {
  name: string;
  densityKgPerL: number;
  stoichiometricAfr: number;
  /** Mass fractions by component name. */
  parts: ReadonlyMap<string, number>;
}

/** A step of a check as `checks:` writes it; one that only names a usual step has its name alone. */
export interface StepText {
  name: string;
  title?: string;
  say?: string;
  waitS?: number;
  reading?: { unit: string; min?: number; max?: number };
  watch?: { until?: string; forS: number; withinS?: number };
  blocking?: boolean;
}

/** What `checks:` says of one check besides limits: other words and steps of a usual one, or a check of the user's own. */
export interface ProcedureText {
  name: string;
  title?: string;
  about?: string;
  safety?: string[];
  steps?: StepText[];
  at: Location;
}

export interface Vehicle {
  name: string;
  /** Content hash over all files: names the definition set. */
  hash: string;
  files: DefinitionFile[];
  fuel: Fuel;
  electrical: { nominalV?: number; charging?: boolean; chemistry?: string };
  buses: Bus[];
  engine?: Engine;
  injectorSets: InjectorSet[];
  derived: DerivedChannel[];
  /** Name → points ascending in x. */
  tables: ReadonlyMap<string, [x: number, y: number][]>;
  alarms: AlarmRule[];
  limits: Limits;
  dyno?: { kind: 'inertia' | 'brake' | 'engine' | 'chassis' | string; gear?: string; rollerRatio?: number };
  /** Sensor supply and ground groups: group name → channels. */
  supplies: ReadonlyMap<string, string[]>;
  grounds: ReadonlyMap<string, string[]>;
  /** `checks:` as data (groups of keys are Maps); the checks read their limits from it. */
  checks: unknown;
  /** Steps and words that `checks:` changes or adds, in the file's order. */
  procedures: ProcedureText[];
  /** Harness file as data (groups of keys are Maps), when there is one; `harness/` gives it meaning. */
  harness?: unknown;
  /** Non-fatal findings of loading. */
  warnings: Problem[];
}
