// The simulator as live sources: one simulation per scenario that all simulated buses of a session share, in real time or faster.
import { FrameBatch } from '../bus/frame-batch.ts';
import type { Source, SourceListener, Speed } from '../bus/source.ts';
import type { SessionClock } from '../clock.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { readerFlushIntervalMs } from '../limits.ts';
import type { Scenario } from './scenario.ts';
import { Simulation } from './simulator.ts';

/** Simulated time that one turn may take, so that a fast or late simulation leaves the server its turns. */
const turnMaxUs = 500_000;

/**
 * Runs one simulation against the clock and hands each bus its frames. Session time of a frame is that of the start plus its scenario
 * time, whatever the speed, so periods and rates are those of the scenario.
 */
export class SharedSimulation {
  readonly simulation: Simulation;
  private readonly clock: SessionClock;
  private readonly speed: Speed;
  private readonly listeners = new Map<number, SourceListener>();
  private readonly all = new FrameBatch(1024);
  private readonly out = new FrameBatch(1024);
  private timer: NodeJS.Timeout | undefined;
  private startUs: number | undefined;
  private doneUs = 0;

  constructor(vehicle: Vehicle, scenario: Scenario, clock: SessionClock, speed: Speed = 1) {
    this.simulation = new Simulation(vehicle, scenario);
    this.clock = clock;
    this.speed = speed;
  }

  /** Joins a bus; the simulation begins with the first. */
  join(bus: number, listener: SourceListener): void {
    this.startUs ??= this.clock.nowUs();
    this.listeners.set(bus, listener);
    listener.state('up', `scenario ${this.simulation.scenario.name}`);
    listener.status?.({
      device: `simulator (${this.simulation.scenario.name})`,
      stampQuality: 'simulated',
      errorFrames: {},
      readerRestarts: 0,
      notes: [],
    });
    this.timer ??= setInterval(() => this.turn(), readerFlushIntervalMs);
  }

  leave(bus: number): void {
    this.listeners.delete(bus);
    if (this.listeners.size > 0) return;
    clearInterval(this.timer);
    this.timer = undefined;
  }

  private turn(): void {
    const startUs = this.startUs as number;
    const dueUs = this.speed === 'max' ? Number.POSITIVE_INFINITY : Math.floor((this.clock.nowUs() - startUs) * this.speed);
    const toUs = Math.min(dueUs, this.doneUs + turnMaxUs, this.simulation.lengthUs);
    this.all.clear();
    this.simulation.advance(toUs, this.all);
    this.doneUs = toUs;
    for (const [bus, listener] of [...this.listeners]) this.give(bus, listener, startUs);
    if (this.simulation.finished) this.finish();
  }

  private give(bus: number, listener: SourceListener, startUs: number): void {
    const { all, out } = this;
    out.clear();
    for (let i = 0; i < all.count; i++) {
      if (all.bus[i] !== bus) continue;
      out.pushFrom(all, i);
      out.timeUs[out.count - 1] = startUs + (all.timeUs[i] as number);
    }
    listener.frames(out, startUs + this.doneUs);
  }

  private finish(): void {
    for (const [bus, listener] of [...this.listeners]) {
      this.leave(bus);
      listener.state('down', `scenario ${this.simulation.scenario.name} has ended`);
      listener.end();
    }
  }
}

export class SimulatorSource implements Source {
  readonly bus: number;
  readonly description: string;
  readonly stampQuality = 'simulated';
  private readonly shared: SharedSimulation;

  constructor(bus: number, description: string, shared: SharedSimulation) {
    this.bus = bus;
    this.description = description;
    this.shared = shared;
  }

  /** The simulation behind it, for faults put in while it runs. */
  get simulation(): Simulation {
    return this.shared.simulation;
  }

  start(listener: SourceListener): void {
    this.shared.join(this.bus, listener);
  }

  async stop(): Promise<void> {
    this.shared.leave(this.bus);
  }
}

const sharedBySession = new WeakMap<SessionClock, Map<string, SharedSimulation>>();

/** The source of one bus. Buses of one session, vehicle and scenario share their simulation. */
export function makeSimulatorSource(
  bus: number,
  description: string,
  vehicle: Vehicle,
  scenario: Scenario,
  clock: SessionClock,
  speed: Speed = 1,
): SimulatorSource {
  const ofSession = sharedBySession.get(clock) ?? new Map<string, SharedSimulation>();
  sharedBySession.set(clock, ofSession);
  const key = `${vehicle.hash} ${description}`;
  const shared = ofSession.get(key) ?? new SharedSimulation(vehicle, scenario, clock, speed);
  ofSession.set(key, shared);
  return new SimulatorSource(bus, description, shared);
}
