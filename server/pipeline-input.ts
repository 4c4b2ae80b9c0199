// What the pipeline takes, and so what the record holds: the same inputs in the same order give the same samples and alarms.
import type { FrameBatch } from './bus/frame-batch.ts';
import type { Vehicle } from './definitions/vehicle.ts';

/** Where frames were lost, as far as it can be known (design: loss is counted, never hidden). */
export type LossPlace = 'adapter' | 'before-reader' | 'queue' | 'late';

/**
 * One input. Times are integer microseconds of session time and never go back from one input to the next, except for late frames,
 * which are applied when they come.
 *
 * - `frames`: in time order over all buses (a late one excepted).
 * - `mark`: every frame with a time up to and including this has been given; silence is news.
 * - `definitions`: from the next instant on, this vehicle is in force.
 */
export type PipelineInput =
  | { kind: 'frames'; batch: FrameBatch }
  | { kind: 'mark'; timeUs: number }
  | { kind: 'definitions'; timeUs: number; vehicle: Vehicle }
  | { kind: 'acknowledge'; timeUs: number; alarm: string; by: string }
  | { kind: 'source'; timeUs: number; bus: number; state: 'up' | 'down'; detail: string }
  | { kind: 'loss'; timeUs: number; bus: number; place: LossPlace; count: number }
  | { kind: 'clock'; timeUs: number; wallMs: number };

/** Microseconds between instants, at multiples of which derived channels, staleness and alarms step. */
export const instantUs = 10_000;
