// The simulated engine with its sensors and wiring: pushes the frames of all buses in time order, as fast as they are asked for.
import type { FrameBatch } from '../bus/frame-batch.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { BusWire } from './bus-wire.ts';
import { Driver } from './driver.ts';
import { EngineModel } from './engine-model.ts';
import { type Fault, FaultBoard } from './fault.ts';
import type { LineEvent } from './line.ts';
import { Readings } from './readings.ts';
import type { Scenario } from './scenario.ts';
import { Schedule } from './schedule.ts';

/** Length of a physics step. Frames show the state of the last whole step before them. */
export const stepUs = 10_000;

/** What is true inside the simulation, for tests and benches that judge what a check found. */
export interface Truth {
  timeUs: number;
  stage: string | undefined;
  speedRpm: number;
  running: boolean;
  /** By cylinder − 1. */
  lambda: readonly number[];
  gasC: readonly number[];
  probeC: readonly number[];
  burning: readonly number[];
  /** Injector set → rail pressure over what it discharges into is the check's to work out; here rail, absolute kPa. */
  railKpa: ReadonlyMap<string, number>;
  manifoldKpa: number;
}

/**
 * One run of a scenario on a vehicle. The same vehicle, scenario and seed give the same frames, whatever steps `advance` is called in.
 * Times are microseconds from the start of the scenario.
 */
export class Simulation {
  readonly vehicle: Vehicle;
  readonly scenario: Scenario;
  private readonly faults: FaultBoard;
  private readonly driver: Driver;
  private readonly engine: EngineModel;
  private readonly readings: Readings;
  private readonly wires: BusWire[];
  private readonly schedule = new Schedule<LineEvent>();
  private steppedUs = 0;
  private timeUs = 0;

  constructor(vehicle: Vehicle, scenario: Scenario) {
    this.vehicle = vehicle;
    this.scenario = scenario;
    this.faults = new FaultBoard(scenario.rounds === 1 ? scenario.faults : []);
    this.driver = new Driver(scenario);
    this.engine = new EngineModel(vehicle, scenario, this.faults);
    this.readings = new Readings(vehicle, this.engine, this.driver, this.faults, scenario.seed, scenario.engine.scatter);
    this.wires = vehicle.buses.map((bus) => new BusWire(bus, this.schedule, this.readings, this.faults, scenario.seed));
    if (scenario.rounds !== 1) this.scheduleRound(0);
    this.stepPhysics(0);
  }

  /** How long the scenario lasts, microseconds; infinity when it repeats for ever. */
  get lengthUs(): number {
    return this.scenario.lengthS > 0 ? this.scenario.lengthS * this.scenario.rounds * 1e6 : 0;
  }

  get finished(): boolean {
    return this.timeUs >= this.lengthUs;
  }

  /** Pushes every frame up to and including `toUs`, in time order over all buses. Nothing comes after the scenario's end. */
  advance(toUs: number, batch: FrameBatch): void {
    const endUs = Math.min(toUs, this.lengthUs);
    for (;;) {
      const event = this.schedule.first;
      const eventUs = event?.dueUs ?? Number.POSITIVE_INFINITY;
      const nextStepUs = this.steppedUs + stepUs;
      if (Math.min(eventUs, nextStepUs) > endUs) break;
      if (nextStepUs <= eventUs) this.stepPhysics(nextStepUs);
      else event?.fire(eventUs, batch);
    }
    this.timeUs = Math.max(this.timeUs, endUs);
  }

  /** Puts a fault in from now on, or from its own later time; it may already have an end. */
  inject(fault: Omit<Fault, 'fromUs' | 'toUs'> & Partial<Pick<Fault, 'fromUs' | 'toUs'>>): void {
    const fromUs = Math.max(this.timeUs, fault.fromUs ?? this.timeUs);
    this.faults.add({ ...fault, fromUs, toUs: fault.toUs ?? Number.POSITIVE_INFINITY });
    // Whoever asks now is told of it, not only behind the next step.
    this.faults.step(this.timeUs);
  }

  /** Ends the faults in force now that `which` picks. */
  mend(which: (fault: Fault) => boolean = () => true): void {
    this.faults.end(which, this.timeUs);
    this.faults.step(this.timeUs);
  }

  /** The faults in force. */
  get currentFaults(): readonly Fault[] {
    return this.faults.current;
  }

  get truth(): Truth {
    const { engine, driver } = this;
    return {
      timeUs: this.steppedUs,
      stage: driver.stage?.as ?? driver.stage?.kind,
      speedRpm: engine.speedRpm,
      running: engine.running,
      lambda: [...engine.lambda],
      gasC: [...engine.exhaust.gasC],
      probeC: engine.exhaust.probes.map((probe) => probe.tempC),
      burning: [...engine.burning],
      railKpa: new Map(engine.sets.map((set) => [set.name, set.railKpa])),
      manifoldKpa: engine.manifoldKpa,
    };
  }

  private stepPhysics(nowUs: number): void {
    const nowS = nowUs / 1e6;
    const round = this.driver.round;
    this.faults.step(nowUs);
    this.driver.step(nowS, this.engine.running);
    if (this.driver.round !== round && !this.driver.finished) this.scheduleRound(this.driver.round);
    this.engine.step(stepUs / 1e6, nowS, this.driver.controls);
    this.readings.nowS = nowS;
    for (const wire of this.wires) wire.step(nowUs, this.driver.controls.key, this.engine.batteryV);
    this.steppedUs = nowUs;
  }

  /** In a scenario of several rounds each one has the file's faults at its own times. */
  private scheduleRound(round: number): void {
    this.faults.forgetEnded(this.steppedUs);
    const startUs = Math.round(round * this.scenario.lengthS * 1e6);
    for (const fault of this.scenario.faults) {
      const toUs = Math.min(fault.toUs, this.scenario.lengthS * 1e6);
      this.faults.add({ ...fault, fromUs: startUs + fault.fromUs, toUs: startUs + toUs });
    }
  }
}
