// One injector set of the simulated engine: its pump, regulator and rail, what the controller commands, and what each injector really gives.
import type { Fuel, InjectorSet, Vehicle } from '../definitions/vehicle.ts';
import type { Controls } from './driver.ts';
import type { FaultBoard } from './fault.ts';
import type { Random } from './random.ts';
import type { Effect, Scenario } from './scenario.ts';

/** What the fuel system needs to know of the engine at one step. */
export interface FuelDemand {
  dtS: number;
  pumpOn: boolean;
  speedRpm: number;
  cycleMs: number;
  baroKpa: number;
  manifoldKpa: number;
  batteryV: number;
  /** Fuel a cylinder that the controller wants in one cycle, cubic centimetres; 0 while cut. */
  wantedCc: number;
  /** 0 to 1 of full load: the further sets come in with it. */
  load: number;
}

/** Share of the injection period that full load at the speed limit takes: the size of the simulated engine follows from it. */
const fullLoadDuty = 0.8;
const railRiseS = 0.06;
const leakDownS = 150;
const usualFlowCcPerMin = 600;
const usualTargetKpa = 300;

export class FuelSet {
  readonly name: string;
  readonly targetKpa: number;
  /** What the set gives of a full-load cycle, cc a cylinder. */
  readonly fullCc: number;
  /** Rail pressure, absolute kPa. */
  railKpa: number;
  /** Commanded pulse as the controller reports it, milliseconds. */
  pulseMs = 0;
  /** Flow of all its injectors, cc/min. */
  flowCcPerMin = 0;
  /** Fuel that each cylinder gets in a cycle, cc; index is cylinder − 1. */
  readonly givenCc: Float64Array;
  /** What the set would give if all were nominal: the share of the cylinder's fuel. */
  nominalCc = 0;
  readonly feeds: Uint8Array;
  private readonly set: InjectorSet;
  private readonly factor: Float64Array;
  private readonly ccPerMs: number;
  private readonly followsManifold: boolean;
  private readonly capacityCcPerMin: number;
  private readonly mechanical: boolean;
  private readonly injections: number;

  constructor(set: InjectorSet, vehicle: Vehicle, scenario: Scenario, cylinders: number, random: Random) {
    this.set = set;
    this.injections = set.injectionsPerCycle ?? 1;
    this.name = set.name;
    this.targetKpa = set.targetKpa ?? usualTargetKpa;
    const flow = set.flow ?? { ccPerMin: usualFlowCcPerMin, atKpa: this.targetKpa };
    this.ccPerMs = (flow.ccPerMin / 60_000) * Math.sqrt(this.targetKpa / flow.atKpa);
    this.followsManifold = followsManifold(set, vehicle);
    this.mechanical = scenario.engine.pump === 'mechanical';
    const periodMs = 120_000 / scenario.engine.limitRpm / this.injections;
    const openMs = Math.max(0.25 * periodMs, fullLoadDuty * periodMs - this.deadMs(13.5));
    this.fullCc = openMs * this.injections * this.ccPerMs;
    this.railKpa = scenario.ambient.pressureKpa;
    this.givenCc = new Float64Array(cylinders);
    this.feeds = new Uint8Array(cylinders);
    for (let i = 0; i < cylinders; i++) this.feeds[i] = set.cylinders.length === 0 || set.cylinders.includes(i + 1) ? 1 : 0;
    this.capacityCcPerMin = 1.25 * flow.ccPerMin * cylinders;
    this.factor = injectorFactors(set, scenario, cylinders, random);
  }

  /** One step: rail first, then the command, then what each injector gives. `share` is the set's part of the wanted fuel. */
  step(demand: FuelDemand, share: number, controls: Controls, faults: FaultBoard): void {
    this.stepRail(demand, controls, faults);
    const set = this.set;
    const openMs = (demand.wantedCc * share) / (this.injections * this.ccPerMs);
    const off = openMs < 0.02;
    const eventMs = off ? 0 : openMs + this.deadMs(demand.batteryV);
    this.nominalCc = off ? 0 : demand.wantedCc * share;
    const reportedMs = off || set.pulseIs.deadTime === 'included' ? eventMs : openMs;
    this.pulseMs = reportedMs * (set.pulseIs.per === 'cycle' ? this.injections : 1);
    this.give(demand, eventMs, controls, faults);
  }

  private give(demand: FuelDemand, eventMs: number, controls: Controls, faults: FaultBoard): void {
    const periodMs = demand.cycleMs / this.injections;
    const deadMs = this.deadMs(demand.batteryV);
    const deltaKpa = Math.max(0, this.railKpa - this.referenceKpa(demand, controls, false));
    const ccPerMs = this.ccPerMs * Math.sqrt(deltaKpa / this.targetKpa);
    let total = 0;
    for (let i = 0; i < this.givenCc.length; i++) {
      const lateMs = faults.quiet ? 0 : lazyMs(faults, this.name, this.set, i + 1);
      const open = eventMs === 0 ? 0 : eventMs >= periodMs ? periodMs : Math.min(periodMs, Math.max(0, eventMs - deadMs - lateMs));
      const factor = faults.quiet ? 1 : injectorShare(faults, this.name, i + 1, this.set);
      const given = (this.feeds[i] as number) * open * this.injections * ccPerMs * (this.factor[i] as number) * factor;
      this.givenCc[i] = given;
      total += given;
    }
    this.flowCcPerMin = demand.speedRpm > 0 ? (total * 60_000) / demand.cycleMs : 0;
  }

  private stepRail(demand: FuelDemand, controls: Controls, faults: FaultBoard): void {
    const reference = this.referenceKpa(demand, controls, faults.ofSet('reference_hose_off', this.name) !== undefined);
    const dry = faults.ofSet('no_fuel', this.name) !== undefined;
    const turning = this.mechanical ? Math.min(1, demand.speedRpm / 1500) : demand.pumpOn ? 1 : 0;
    if (turning === 0 || dry) {
      const emptying = demand.speedRpm > 0 && this.flowCcPerMin > 0 ? 0.4 : leakDownS;
      this.railKpa += ((demand.baroKpa - this.railKpa) * demand.dtS) / emptying;
      return;
    }
    const fade = (faults.ofSet('pump_fading', this.name)?.amount ?? 100) / 100;
    const supply = this.mechanical ? 1 : Math.min(1.05, demand.batteryV / (demand.batteryV > 15 ? 15.6 : 13.4));
    const canGive = this.capacityCcPerMin * fade * supply * turning;
    const asked = Math.max(1, this.flowCcPerMin);
    const blocked = faults.ofSet('return_blocked', this.name) !== undefined;
    // With nowhere to return to, the pump pushes the rail towards its dead-head pressure, less where the engine draws.
    const held = blocked ? this.targetKpa * (1.8 - 0.5 * Math.min(1, asked / canGive)) : this.targetKpa;
    const delta = held * Math.min(turning, (canGive / asked) ** 1.3, 1);
    this.railKpa += ((reference + delta - this.railKpa) * demand.dtS) / (railRiseS + (demand.speedRpm === 0 ? 0.15 : 0));
  }

  private referenceKpa(demand: FuelDemand, controls: Controls, hoseOff: boolean): number {
    if (hoseOff) return demand.baroKpa;
    return (this.followsManifold ? demand.manifoldKpa : demand.baroKpa) + controls.referenceKpa;
  }

  private deadMs(volts: number): number {
    const rows = this.set.deadTime;
    const first = rows[0];
    if (!first) return 0.9;
    let [lowV, lowMs] = first;
    for (const [highV, highMs] of rows) {
      if (volts <= highV) return highV === lowV ? highMs : lowMs + ((highMs - lowMs) * Math.max(0, volts - lowV)) / (highV - lowV);
      [lowV, lowMs] = [highV, highMs];
    }
    return lowMs;
  }
}

/** A set discharges where its file says; one that names the manifold's channel sees boost. */
function followsManifold(set: InjectorSet, vehicle: Vehicle): boolean {
  if (set.discharge === undefined) return true;
  if (set.discharge === vehicle.engine?.roles.manifoldPressure) return true;
  return /manifold|map\b|boost/.test(set.discharge) && !/baro|station|ambient/.test(set.discharge);
}

/** Standing differences between the injectors: scatter of manufacture, the scenario's group and injector errors, and trims. */
function injectorFactors(set: InjectorSet, scenario: Scenario, cylinders: number, random: Random): Float64Array {
  const planName = scenario.plans.get(set.name) ?? set.plan;
  const plan = set.plans.find((p) => p.name === planName) ?? set.plans[0];
  const factors = new Float64Array(cylinders);
  for (let i = 0; i < cylinders; i++) {
    const cylinder = i + 1;
    const group = plan?.groups.find((g) => g.cylinders.includes(cylinder))?.name;
    const { distribution } = scenario;
    const errors: (Effect | undefined)[] = [
      group === undefined ? undefined : distribution.group.get(group),
      distribution.injector.get(`${set.name}/${cylinder}`),
      distribution.injector.get(set.injectors.get(cylinder) ?? ''),
    ];
    let percent = random.normal(0.4 * scenario.engine.scatter) + (scenario.trims.get(set.name)?.get(cylinder) ?? 0);
    for (const error of errors) percent += error?.richerPercent ?? 0;
    factors[i] = 1 + percent / 100;
  }
  return factors;
}

function isFor(set: string, of: InjectorSet, fault: { set?: string }): boolean {
  return fault.set === undefined || fault.set === set || fault.set === of.name;
}

function lazyMs(faults: FaultBoard, name: string, set: InjectorSet, cylinder: number): number {
  let late = 0;
  for (const fault of faults.of('lazy_injector')) if (fault.cylinder === cylinder && isFor(name, set, fault)) late += fault.amount;
  return late;
}

function injectorShare(faults: FaultBoard, name: string, cylinder: number, set: InjectorSet): number {
  let share = 1;
  for (const fault of faults.of('weak_injector')) if (fault.cylinder === cylinder && isFor(name, set, fault)) share *= fault.amount / 100;
  for (const fault of faults.of('dead_injector')) if (fault.cylinder === cylinder && isFor(name, set, fault)) share = 0;
  return share;
}

/** The mixture richness at full load, and how hot the fuel burns beside petrol: alcohols cool their charge and run far richer. */
export function fuelCharacter(fuel: Fuel): { richLambda: number; heat: number } {
  const alcohol = Math.min(1, Math.max(0, (14.7 - fuel.stoichiometricAfr) / (14.7 - 6.45)));
  return { richLambda: 0.87 - 0.07 * alcohol, heat: 1 - 0.14 * alcohol };
}
