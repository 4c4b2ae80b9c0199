// Where a bus's frames come from. A source hands over frames, its state and what it lost, and nothing else; none can send.

import type { LossPlace } from '../pipeline-input.ts';
import type { FrameBatch } from './frame-batch.ts';

/** How good a source's own time stamps are. */
export type StampQuality = 'hardware' | 'kernel' | 'adapter' | 'process' | 'file' | 'simulated';

/** Callbacks of a running source. Frames carry session time; `watermarkUs` promises that no later frame is older than or as old as it. */
export interface SourceListener {
  frames(batch: FrameBatch, watermarkUs: number): void;
  state(state: 'up' | 'down', detail: string): void;
  loss(place: LossPlace, count: number): void;
  /** A finite source (recorded file) has given everything. */
  end(): void;
  /** The source can't be opened or went for good; an EvenburnError with its cure. */
  failed(error: Error): void;
}

/** A source of one bus's frames. `start` returns at once; `stop` resolves when no callback will come any more. */
export interface Source {
  readonly bus: number;
  /** As the user wrote it: `socketcan:can0`, `serial:/dev/ttyACM0`, `file:PATH`, `simulator`. */
  readonly description: string;
  readonly stampQuality: StampQuality;
  start(listener: SourceListener): void;
  stop(): Promise<void>;
}
