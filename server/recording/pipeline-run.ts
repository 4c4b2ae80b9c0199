// A pipeline of the recorder's own: computes the reading from the very inputs that are recorded.
import type { DefinitionFile, Vehicle } from '../definitions/vehicle.ts';
import { Pipeline, type PipelineState } from '../pipeline.ts';
import type { PipelineInput } from '../pipeline-input.ts';
import type { VehicleByHash } from './journal.ts';
import type { ReadingWriter } from './reading-writer.ts';

/** Makes a vehicle from the files of a definition set; warnings don't stop it. */
export type LoadVehicle = (files: DefinitionFile[]) => Vehicle;

/**
 * Runs inputs and hands what follows to a reading, which may change from session to session. Should the pipeline ever throw, the reading
 * ends there and `failure` says why: frames matter more than what is made of them, and a later re-reading can make it whole.
 */
export class PipelineRun {
  failure: Error | undefined;
  private readonly pipeline: Pipeline;
  private to: ReadingWriter | undefined;
  private taken = false;

  constructor(vehicle: Vehicle) {
    this.pipeline = new Pipeline(vehicle, {
      samples: (batch) => this.to?.samples(batch),
      alarm: (event) => this.to?.alarm(event),
      definitions: (timeUs, now, channels) => this.to?.definitions(timeUs, now, channels),
    });
  }

  get vehicle(): Vehicle {
    return this.pipeline.vehicle;
  }

  /** Where results go from now on. */
  writeTo(reading: ReadingWriter | undefined): void {
    this.to = reading;
    reading?.adopt(this.pipeline.vehicle, this.pipeline.channels);
  }

  /** Results no longer go to this reading; they may go to another one already. */
  release(reading: ReadingWriter | undefined): void {
    if (this.to === reading) this.to = undefined;
  }

  take(input: PipelineInput): void {
    this.taken = true;
    this.attempt(() => this.pipeline.take(input));
  }

  finish(): void {
    this.attempt(() => this.pipeline.finish());
  }

  /** Undefined while nothing was taken yet, or when the pipeline failed. */
  state(): PipelineState | undefined {
    if (!this.taken) return undefined;
    return this.attempt(() => this.pipeline.saveState());
  }

  /** @param vehicleOf Finds the definition set that was about to come into force. */
  restore(state: PipelineState, vehicleOf: VehicleByHash): void {
    this.taken = true;
    this.attempt(() => this.pipeline.restoreState(state, vehicleOf));
  }

  private attempt<T>(work: () => T): T | undefined {
    if (this.failure) return undefined;
    try {
      return work();
    } catch (error) {
      this.failure = error instanceof Error ? error : new Error(String(error));
      return undefined;
    }
  }
}
