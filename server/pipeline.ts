// The one place where the stages are joined, in the order in which a frame visits them: start reading here.
import type { AlarmEvent, AlarmsStanding } from './alarms/alarm-event.ts';
import type { Channel } from './channels/channel-list.ts';
import { ChannelTable } from './channels/channel-table.ts';
import type { SampleBatch } from './channels/sample-batch.ts';
import type { DecodeCounts } from './codec/decoder.ts';
import type { Vehicle } from './definitions/vehicle.ts';
import type { PipelineInput } from './pipeline-input.ts';

/** Where results go. Batches and tables are lent: what is kept must be copied before returning. */
export interface PipelineSink {
  /**
   * New samples in the order in which they came to be: signals at their frame's time, derived channels at instants. A sample of quality
   * `stale` is the change to that state: plots and readings show it, `decode` prints no line for it.
   */
  samples(batch: SampleBatch): void;
  alarm(event: AlarmEvent): void;
  /** After everything of an instant at which something happened; `table.changedList` names the channels that did. */
  instant?(timeUs: number, table: ChannelTable): void;
  /** Other definitions are in force from this instant on: channel indices have changed. Samples before it have been handed over. */
  definitions?(timeUs: number, vehicle: Vehicle, channels: readonly Channel[]): void;
}

/** Everything that the future depends on, as JSON: `new Pipeline(sameVehicle, sink)` and `restoreState` go on bit for bit alike. */
export interface PipelineState {
  version: number;
  [key: string]: unknown;
}

/**
 * Decodes, applies, marks the stale, derives, steps the alarms. Pure: no I/O, no clock, no log; the same inputs in the same order give
 * the same samples and alarms, however the batches are cut.
 *
 * An instant T (a multiple of 10 ms) sees the frames with a time up to and including T, and runs once a later frame or a mark at or
 * behind T has come. Instants at which nothing can happen are skipped, so that a gap of years costs nothing.
 */
export class Pipeline {
  readonly sink: PipelineSink;
  vehicle: Vehicle;
  channels: readonly Channel[] = [];
  table = new ChannelTable(0);
  /** Late frames that were applied when they came. */
  lateFrames = 0;

  constructor(vehicle: Vehicle, sink: PipelineSink) {
    this.vehicle = vehicle;
    this.sink = sink;
  }

  /** What became of the frames so far (of the definitions in force). */
  get counts(): DecodeCounts {
    throw new Error('not built yet');
  }

  /** The alarms that stand. */
  get alarms(): AlarmsStanding {
    throw new Error('not built yet');
  }

  /** Takes one input; the sink has been called for everything that follows from it when this returns. */
  take(_input: PipelineInput): void {
    throw new Error('not built yet');
  }

  /** No more inputs: runs the first instant at or behind the last frame. */
  finish(): void {
    throw new Error('not built yet');
  }

  saveState(): PipelineState {
    throw new Error('not built yet');
  }

  restoreState(_state: PipelineState): void {
    throw new Error('not built yet');
  }
}
