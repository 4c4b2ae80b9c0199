// The log book: what people wrote down about a vehicle, one shape a kind of entry.
import { z } from 'zod';

/** What a person gives with every kind of entry. */
const given = {
  by: z.string().trim().min(1).max(60).describe('Who writes it down'),
  session: z.number().int().positive().nullish().describe('The session it belongs to; by default the one that is recorded now'),
  note: z.string().trim().max(2000).default(''),
};

/** One shape a kind of entry: add yours here. */
const kinds = [
  z.object({ ...given, kind: z.literal('note'), note: z.string().trim().min(1).max(2000) }),
  z.object({
    ...given,
    kind: z.literal('change'),
    what: z.enum(['plan', 'trim', 'pressure', 'fuel', 'plugs', 'part', 'other']),
    /** What it was and what it is now, in words. */
    from: z.string().trim().max(200).optional(),
    to: z.string().trim().max(200).optional(),
    cylinders: z.array(z.number().int().positive()).max(64).optional(),
  }),
] as const;

/** POST /api/log-book */
export const logEntryRequest = z.discriminatedUnion('kind', kinds).meta({ id: 'LogEntryRequest' });

export type LogEntryRequest = z.output<typeof logEntryRequest>;

/** What the server adds. */
const added = z.object({
  entry: z.number().int().positive(),
  vehicle: z.string(),
  wallMs: z.number(),
  session: z.number().int().positive().nullable(),
});

export const logEntry = z.intersection(logEntryRequest, added).meta({ id: 'LogEntry' });

export type LogEntry = z.output<typeof logEntry>;
