// What the main process and the recorder's worker say to each other.
import type { Vehicle } from '../definitions/vehicle.ts';
import type { ErrorCode } from '../errors.ts';
import type { OtherInput } from './input-log.ts';

/** State of recording, for the status of the station. */
export interface RecorderStatus {
  /** `idle`: no frame yet, or none for a minute. `slow`: the disk takes too long. `stopped`: nothing is recorded; `detail` says why. */
  state: 'idle' | 'recording' | 'slow' | 'stopped';
  /** Number of the open session. */
  session: number | null;
  startedWallMs: number | null;
  /** What to know or do, in a sentence; empty when there is nothing. */
  detail: string;
}

/** Inputs in the journal's encoding, as they were taken. */
export interface InputsMessage {
  kind: 'inputs';
  bytes: Uint8Array;
  frames: number;
  /** Monotonic microseconds at which the oldest was taken. */
  takenUs: number;
  /** Session time of the newest, and of the newest frame (of this message or an earlier one). */
  lastUs: number;
  lastFrameUs: number;
  /** Those that are neither frames nor marks, once more. */
  events: OtherInput[];
}

export type ToRecorder =
  /** The definitions in force before the first input. */
  | { kind: 'begin'; vehicle: Vehicle }
  /** How good each bus's time stamps are, before the first frame. */
  | { kind: 'stamps'; stamps: Record<string, string> }
  | InputsMessage
  | { kind: 'close' }
  | { kind: 'call'; call: number; name: string; args: unknown[] };

export type FromRecorder =
  | { kind: 'ready' }
  | { kind: 'failed'; error: PlainError }
  /** So many bytes of inputs have been dealt with. */
  | { kind: 'done'; bytes: number }
  /** A commit: how old its oldest input was when it was on the disk, and how long the commit itself took. */
  | { kind: 'committed'; ageMs: number; tookMs: number; frames: number }
  /** Frames that were not recorded, since recording had stopped. */
  | { kind: 'unrecorded'; frames: number }
  | { kind: 'status'; status: RecorderStatus }
  | { kind: 'space'; freeBytes: number }
  | { kind: 'answer'; call: number; result?: unknown; error?: PlainError }
  | { kind: 'closed' };

/** An error that can cross between threads: ours keep their code and details. */
export interface PlainError {
  code?: ErrorCode;
  details?: Record<string, string | number>;
  message: string;
}

/** How much is kept; without a bound everything is. The oldest sessions go first, pinned ones never. */
export interface KeepSessions {
  bytesMax?: number;
  daysMax?: number;
}
