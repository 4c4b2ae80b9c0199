// Where a bus's frames come from. A source hands over frames, its state and what it lost, and nothing else; none can send.

import type { LossPlace } from '../pipeline-input.ts';
import type { FrameBatch } from './frame-batch.ts';

/** How good a source's own time stamps are. */
export type StampQuality = 'hardware' | 'kernel' | 'adapter' | 'process' | 'file' | 'simulated';

/** How much faster than in real time a recorded file or the simulator runs; 'max': as fast as frames are taken. */
export type Speed = number | 'max';

/** What a live source knows about its line; what it doesn't know is left out. */
export interface SourceStatus {
  /** The interface or port as it is called now. */
  device: string;
  stampQuality: StampQuality;
  /** bit/s. */
  bitRate?: number;
  /** Share of the bit time, 0 to 1. */
  samplePoint?: number;
  controller?: 'error-active' | 'error-warning' | 'error-passive' | 'bus-off' | 'stopped';
  /** 0 means that a bus-off controller never comes back by itself. */
  restartMs?: number;
  /** The controller's own error counters. */
  sendErrors?: number;
  receiveErrors?: number;
  /** False: the adapter acknowledges frames (it still sends none). */
  listenOnly?: boolean;
  /** What the adapter says about itself. */
  adapter?: string;
  /** How full the serial link to the adapter is. */
  linkPercent?: number;
  /** Error frames by class since the start. */
  errorFrames: Readonly<Record<string, number>>;
  malformedLines?: number;
  readerRestarts: number;
  /** Sentences for the person: limits of the add-on, unsupported commands and the like. */
  notes: readonly string[];
}

/**
 * Callbacks of a running source. Frames carry session time; `watermarkUs`: no later frame is as old as it or older, as far
 * as the source can know; one that is all the same keeps its time, and the merge counts it as late.
 */
export interface SourceListener {
  frames(batch: FrameBatch, watermarkUs: number): void;
  state(state: 'up' | 'down', detail: string): void;
  loss(place: LossPlace, count: number): void;
  /** Something about the line changed; at most a few times a second. */
  status?(status: SourceStatus): void;
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
