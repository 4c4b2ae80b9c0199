// Runs a scenario in a test and reads the frames back bit by bit.
import { FrameBatch, frameFlag } from '../../server/bus/frame-batch.ts';
import { extractRaw } from '../../server/codec/bits.ts';
import { toProblemLine } from '../../server/definitions/problem.ts';
import type { Frame, Signal, Vehicle } from '../../server/definitions/vehicle.ts';
import type { Scenario } from '../../server/simulator/scenario.ts';
import { parseScenario } from '../../server/simulator/scenario-file.ts';
import { Simulation } from '../../server/simulator/simulator.ts';

export function readScenario(text: string, vehicle: Vehicle): Scenario {
  const { scenario, problems } = parseScenario(text, 'test.yaml', vehicle);
  if (problems.length > 0) throw new Error(problems.map((problem) => toProblemLine(problem)).join('\n'));
  return scenario;
}

/** All frames of a scenario, or of its first seconds. */
export function runScenario(text: string, vehicle: Vehicle, seconds = Number.POSITIVE_INFINITY): Run {
  const simulation = new Simulation(vehicle, readScenario(text, vehicle));
  const batch = new FrameBatch(4096);
  simulation.advance(Math.min(seconds * 1e6, simulation.lengthUs), batch);
  return new Run(vehicle, batch, simulation);
}

export interface ReadSample {
  s: number;
  /** Undefined when the raw value is the signal's fault or not-available value. */
  value: number | undefined;
}

export class Run {
  readonly vehicle: Vehicle;
  readonly batch: FrameBatch;
  readonly simulation: Simulation;

  constructor(vehicle: Vehicle, batch: FrameBatch, simulation: Simulation) {
    this.vehicle = vehicle;
    this.batch = batch;
    this.simulation = simulation;
  }

  /** Samples of a signal where its conditions hold, from `fromS` up to `toS`. */
  samples(name: string, fromS = 0, toS = Number.POSITIVE_INFINITY): ReadSample[] {
    const { frame, signal } = this.find(name);
    const found: ReadSample[] = [];
    for (const i of this.framesOf(frame.name)) {
      const s = (this.batch.timeUs[i] as number) / 1e6;
      const bytes = this.batch.bytesOf(i);
      if (s < fromS || s >= toS || !isPresent(frame, signal, bytes)) continue;
      const raw = extractRaw(bytes, signal);
      if (raw === undefined) continue;
      const bad = [...signal.fault, ...signal.notAvailable].some(({ from, to }) => raw >= from && raw <= to);
      found.push({ s, value: bad ? undefined : Number(raw) * signal.factor + signal.offset });
    }
    return found;
  }

  /** Values alone; an open sensor fails. */
  values(name: string, fromS = 0, toS = Number.POSITIVE_INFINITY): number[] {
    return this.samples(name, fromS, toS).map(({ s, value }) => {
      if (value === undefined) throw new Error(`${name} is open at ${s} s`);
      return value;
    });
  }

  mean(name: string, fromS = 0, toS = Number.POSITIVE_INFINITY): number {
    const values = this.values(name, fromS, toS);
    if (values.length === 0) throw new Error(`no sample of ${name} from ${fromS} to ${toS} s`);
    return values.reduce((sum, value) => sum + value, 0) / values.length;
  }

  max(name: string, fromS = 0, toS = Number.POSITIVE_INFINITY): number {
    return Math.max(...this.values(name, fromS, toS));
  }

  min(name: string, fromS = 0, toS = Number.POSITIVE_INFINITY): number {
    return Math.min(...this.values(name, fromS, toS));
  }

  /** Indices of a described frame in the batch. */
  framesOf(name: string): number[] {
    const frame = this.vehicle.buses.flatMap((bus) => bus.frames).find((f) => f.name === name);
    if (!frame) throw new Error(`no frame ${name}`);
    const pick = (i: number): boolean => {
      const id = this.batch.id[i] as number;
      const isData = ((this.batch.flags[i] as number) & frameFlag.error) === 0;
      return isData && this.batch.bus[i] === frame.bus && (frame.pgn === undefined ? id === frame.id : ((id >> 8) & 0x3ffff) === frame.pgn);
    };
    return this.all().filter(pick);
  }

  times(name: string): number[] {
    return this.framesOf(name).map((i) => (this.batch.timeUs[i] as number) / 1e6);
  }

  errors(): { s: number; classes: number; bytes: Uint8Array }[] {
    return this.all()
      .filter((i) => ((this.batch.flags[i] as number) & frameFlag.error) !== 0)
      .map((i) => ({ s: (this.batch.timeUs[i] as number) / 1e6, classes: this.batch.id[i] as number, bytes: this.batch.bytesOf(i) }));
  }

  all(): number[] {
    return Array.from({ length: this.batch.count }, (_, i) => i);
  }

  private find(name: string): { frame: Frame; signal: Signal } {
    for (const frame of this.vehicle.buses.flatMap((bus) => bus.frames)) {
      const signal = frame.signals.find((s) => s.name === name);
      if (signal) return { frame, signal };
    }
    throw new Error(`no signal ${name}`);
  }
}

function isPresent(frame: Frame, signal: Signal, bytes: Uint8Array): boolean {
  return signal.when.every((condition) => {
    const selector = frame.signals.find((s) => s.name === condition.signal) as Signal;
    const raw = extractRaw(bytes, selector) as bigint;
    return condition.ranges.some(({ from, to }) => raw >= from && raw <= to);
  });
}
