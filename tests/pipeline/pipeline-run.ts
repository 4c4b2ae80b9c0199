// Runs inputs through a pipeline and keeps everything that comes out, in a form that tests compare.
import type { AlarmEvent } from '../../server/alarms/alarm-event.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { Pipeline } from '../../server/pipeline.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { batchOf, type PlainSample, toPlainSamples, type Words } from './made-engine.ts';

export class PipelineRun {
  readonly samples: PlainSample[] = [];
  readonly events: AlarmEvent[] = [];
  readonly instants: number[] = [];
  readonly pipeline: Pipeline;

  constructor(vehicle: Vehicle) {
    this.pipeline = new Pipeline(vehicle, {
      samples: (batch) => this.samples.push(...toPlainSamples(batch, this.pipeline.channels)),
      alarm: (event) => this.events.push(event),
      instant: (timeUs) => this.instants.push(timeUs),
    });
  }

  frames(...frames: Words[]): this {
    return this.take({ kind: 'frames', batch: batchOf(frames) });
  }

  mark(timeUs: number): this {
    return this.take({ kind: 'mark', timeUs });
  }

  take(input: PipelineInput): this {
    this.pipeline.take(input);
    return this;
  }

  finish(): this {
    this.pipeline.finish();
    return this;
  }

  of(channel: string): PlainSample[] {
    return this.samples.filter((sample) => sample.channel === channel);
  }

  /** The newest value of a channel: its number, or its quality. */
  last(channel: string): number | string | null | undefined {
    const sample = this.of(channel).at(-1);
    return sample && (sample.value ?? sample.quality);
  }

  /** `raised oil low`, in order. */
  story(): string[] {
    return this.events.map(({ timeUs, event, alarm }) => `${timeUs / 1000} ms: ${event} ${alarm}`);
  }
}
