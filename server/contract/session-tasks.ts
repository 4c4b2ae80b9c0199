// Work on recorded sessions that takes its time: reading again by today's definitions, comparing two readings, reports and exports.
import { z } from 'zod';
import { severityView } from './alarms.ts';

/** POST /api/rereads: sessions to read again, one after the other. */
export const rereadStart = z
  .object({
    sessions: z.array(z.int().min(1)).min(1).max(1000),
    /** Pages and exports show the new reading from then on; the old one is kept. */
    use: z.boolean().default(false),
  })
  .meta({ id: 'RereadStart' });

export const rereadJob = z
  .object({
    job: z.number(),
    session: z.number(),
    state: z.enum(['waiting', 'running', 'done', 'failed', 'cancelled']),
    /** 0 to 1. */
    share: z.number(),
    /** The new reading, and the one that it was compared with; null until it is done. */
    reading: z.number().nullable(),
    beside: z.number().nullable(),
    /** Every sample and alarm alike to the last bit; null until it is known. */
    identical: z.boolean().nullable(),
    /** Channels that changed, came or went; alarms that would have come, and that would not have. */
    channelsChanged: z.number(),
    alarmsMore: z.number(),
    alarmsFewer: z.number(),
    /** Why it failed; else empty. */
    problem: z.string(),
  })
  .meta({ id: 'RereadJob' });

export type RereadJob = z.infer<typeof rereadJob>;

/** GET /api/rereads, in the order in which they were asked for. DELETE /api/rereads/:job cancels one, DELETE /api/rereads all. */
export const rereadsView = z.object({ jobs: z.array(rereadJob) }).meta({ id: 'Rereads' });

export type RereadsView = z.infer<typeof rereadsView>;

const alarmDifference = z.object({ alarm: z.string(), severity: severityView, atS: z.number() });

/** GET /api/sessions/:session/readings/:reading/against/:other: what is different in `reading`, beside `other`. Times from the first frame. */
export const readingsComparison = z
  .object({
    session: z.number(),
    reading: z.number(),
    against: z.number(),
    identical: z.boolean(),
    samples: z.number(),
    channels: z.array(
      z.object({
        channel: z.string(),
        unit: z.string(),
        oldSamples: z.number(),
        newSamples: z.number(),
        different: z.number(),
        /** The greatest difference of two numbers; null where no number stands against a number. */
        most: z.object({ by: z.number(), atS: z.number(), old: z.number(), new: z.number() }).nullable(),
      }),
    ),
    onlyOld: z.array(z.string()),
    onlyNew: z.array(z.string()),
    alarmsMore: z.array(alarmDifference),
    alarmsFewer: z.array(alarmDifference),
  })
  .meta({ id: 'ReadingsComparison' });

export type ReadingsComparison = z.infer<typeof readingsComparison>;

/** GET /api/sessions/:session/export: as `evenburn export`. */
export const exportQuery = z.object({
  format: z.enum(['log', 'pcapng', 'csv', 'parquet', 'session']),
  /** Of csv and parquet: names, comma-separated; without: all. */
  channels: z.string().max(8000).optional(),
  /** Of csv: a table with a line every so many microseconds. */
  every: z.coerce.number().int().min(1000).optional(),
  reading: z.coerce.number().int().optional(),
});

export type ExportQuery = z.infer<typeof exportQuery>;
