// State of the station beside its channels: sources, loss, load, recording, definitions. Part of the live packet and of /api/health.
import { z } from 'zod';

/** Frames lost since the session began, by where (docs/loss.md). What an adapter loses inside and doesn't report can't be seen. */
export const lossView = z
  .object({
    /** Lost in the adapter or its driver, as they report it. */
    adapter: z.number(),
    /** The kernel took them and the reader never did. */
    beforeReader: z.number(),
    /** Dropped by a bounded queue of ours. */
    queue: z.number(),
    /** Applied, but after their time. Not lost. */
    late: z.number(),
  })
  .meta({ id: 'Loss' });

export const busStatus = z
  .object({
    bus: z.string(),
    /** As given: `socketcan:can0`, `file:pull.log`, `simulator`. Null: nothing feeds this bus. */
    source: z.string().nullable(),
    stampQuality: z.enum(['hardware', 'kernel', 'adapter', 'process', 'file', 'simulated']).nullable(),
    /** `ended`: a recorded file has given everything. `none`: no source. */
    state: z.enum(['starting', 'up', 'down', 'ended', 'failed', 'none']),
    /** What to know or do about the state, in a sentence; empty when there is nothing. */
    detail: z.string(),
    frames: z.number(),
    framesPerSecond: z.number(),
    /** Percent of the bit rate over the last second. Null: not known yet. */
    loadPercent: z.number().nullable(),
    /** Error frames since the session began. */
    errors: z.number(),
    unknownFrames: z.number(),
    shortFrames: z.number(),
    loss: lossView,
    /** What to know about this source, in sentences: limits of the adapter, unsupported commands and the like. */
    notes: z.array(z.string()),
  })
  .meta({ id: 'BusStatus' });

export type BusStatus = z.infer<typeof busStatus>;

export const recordingStatus = z
  .object({
    /** `idle`: no frame yet, or none for a minute. `slow` and `stopped` say why in `detail`. */
    state: z.enum(['off', 'idle', 'recording', 'slow', 'stopped']),
    /** Number of the open session. */
    session: z.number().nullable(),
    startedWallMs: z.number().nullable(),
    detail: z.string(),
  })
  .meta({ id: 'RecordingStatus' });

export type RecordingStatus = z.infer<typeof recordingStatus>;

export const stationStatus = z
  .object({
    mode: z.literal('live'),
    buses: z.array(busStatus),
    recording: recordingStatus,
    /** Errors in the definition files as they stand on disk; while there are any, the last good set stays in force. */
    definitionProblems: z.number(),
    clients: z.number(),
  })
  .meta({ id: 'StationStatus' });

export type StationStatus = z.infer<typeof stationStatus>;

/** GET /api/health */
export const healthView = z
  .object({
    version: z.string(),
    node: z.string(),
    vehicle: z.string(),
    uptimeS: z.number(),
    memoryMb: z.number(),
    /** 99th percentile of the event loop's delay over the last minute. */
    loopDelayP99Ms: z.number(),
    status: stationStatus,
  })
  .meta({ id: 'Health' });

export type HealthView = z.infer<typeof healthView>;
