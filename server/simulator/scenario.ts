// A scenario: what happens to the simulated engine, in order, and what goes wrong when.
import type { Fault, Load } from './fault.ts';

/** A size of a distribution error: mixture, where plus is richer, or temperature at the probe, where plus is hotter. */
export interface Effect {
  richerPercent: number;
  hotterK: number;
}

/** How fuel, air and heat differ between cylinders. Group and injector act on the share of fuel that their set gives. */
export interface Distribution {
  bank: Map<string, Effect>;
  /** At the front cylinder of each bank; the rear one has the opposite, those between lie on the line. */
  position: Effect | undefined;
  group: Map<string, Effect>;
  cylinder: Map<number, Effect>;
  /** By the probe's own name, or its cylinder's number. */
  probe: Map<string, Effect>;
  /** By the injector's own name, or `SET/CYLINDER`. */
  injector: Map<string, Effect>;
}

export interface SimulatedEngine {
  idleRpm: number;
  crankingRpm: number;
  limitRpm: number;
  /** Full-load manifold pressure, absolute kPa; undefined is not boosted. `'guess'` follows the manifold sensor's range. */
  boostKpa: number | undefined | 'guess';
  firesAfterS: number;
  /** Share of the neighbours' heat that a shared manifold carries into a port. */
  sharedManifold: number;
  /** How many times faster water, oil and metal warm than in a full-size engine. */
  warming: number;
  pump: 'electric' | 'mechanical';
  timingOffsetDeg: number;
  /** Random scatter of sensors and cylinders; 0 makes all alike. */
  scatter: number;
}

export type StageKind =
  | 'key_on'
  | 'prime'
  | 'oil_crank'
  | 'crank'
  | 'start'
  | 'idle'
  | 'break_in'
  | 'warm_up'
  | 'hold'
  | 'pull'
  | 'abandon'
  | 'stab'
  | 'ramp'
  | 'limiter'
  | 'coast'
  | 'cool_down'
  | 'stop'
  | 'stall'
  | 'rest'
  | 'key_off'
  | 'warm_probe'
  | 'warm_connector'
  | 'throttle_sweep'
  | 'switch';

/** One stage, with the numbers that its kind takes filled in. */
export interface Stage {
  kind: StageKind;
  /** Its name for faults that come `during` it. */
  as: string | undefined;
  fromS: number;
  toS: number;
  speedRpm: number;
  loadPercent: number;
  startRpm: number;
  endRpm: number;
  rateRpmPerS: number;
  /** Where an abandoned pull is lifted. */
  liftRpm: number;
  /** What a heat gun or warm water brings a probe to. */
  heatC: number;
  /** Air put on the regulator's reference over the atmosphere, kPa. */
  referenceKpa: number;
  /** Whether the pump primes when the key comes on. */
  pump: boolean;
  cylinder: number;
  load: Load;
}

export interface Scenario {
  name: string;
  seed: number;
  ambient: { temperatureC: number; pressureKpa: number };
  start: 'cold' | 'warm' | 'hot';
  engine: SimulatedEngine;
  /** Injector set → the plan in force, where it isn't the vehicle's. */
  plans: Map<string, string>;
  /** Injector sets switched off for a trial. */
  off: Set<string>;
  /** Injector set → cylinder → percent more fuel. */
  trims: Map<string, Map<number, number>>;
  distribution: Distribution;
  stages: Stage[];
  /** Length of one round, seconds. */
  lengthS: number;
  /** Rounds; infinity goes on until stopped. */
  rounds: number;
  faults: Fault[];
}
