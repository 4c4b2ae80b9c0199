// Recorded sessions as lists show them.
import { z } from 'zod';

export const markView = z.object({ timeUs: z.int(), text: z.string().min(1).max(500) }).meta({ id: 'Mark' });

export type MarkView = z.infer<typeof markView>;

export const sessionView = z
  .object({
    session: z.number(),
    vehicle: z.string(),
    startedWallMs: z.number(),
    /** Null: still open. */
    endedWallMs: z.number().nullable(),
    /** `killed`: the program ended without closing it; all but the last quarter second is there. */
    state: z.enum(['open', 'closed', 'killed']),
    seconds: z.number(),
    frames: z.number(),
    bytes: z.number(),
    pinned: z.boolean(),
    /** As people wrote them. */
    name: z.string(),
    note: z.string(),
    tags: z.array(z.string()),
    /** Conditions as typed: what → how. */
    conditions: z.record(z.string(), z.string()),
    /** Notes at an instant, session time. */
    marks: z.array(markView),
    /** Raised while recording. */
    alarms: z.object({ advisory: z.number(), caution: z.number(), warning: z.number() }),
    /** Frames known to be lost. */
    lost: z.number(),
    /** Pulls and holds of the reading in use; null: not counted yet. */
    pulls: z.object({ sweeps: z.number(), holds: z.number() }).nullable(),
    /** Lowest and highest of a channel that tells how it went, a pair a bin, null in a gap; null: there is none. */
    spark: z.object({ channel: z.string(), bins: z.array(z.tuple([z.number(), z.number()]).nullable()) }).nullable(),
    /** How it came: live, or a file's name. */
    origin: z.string(),
  })
  .meta({ id: 'Session' });

export type SessionView = z.infer<typeof sessionView>;

/** How much is kept, and how much room there is. */
export const keepView = z
  .object({
    /** All sessions together. */
    bytes: z.number(),
    freeBytes: z.number(),
    /** Below this an advisory comes. */
    warningBytes: z.number(),
    /** Bounds that the server was started with; null: everything is kept. Pinned sessions stay in any case. */
    bytesMax: z.number().nullable(),
    daysMax: z.number().nullable(),
  })
  .meta({ id: 'Keep' });

export type KeepView = z.infer<typeof keepView>;

/** Sessions that were deleted and can come back. */
export const laidAsideView = z.object({ session: z.number(), sinceWallMs: z.number(), untilWallMs: z.number(), bytes: z.number() });

/**
 * GET /api/sessions?search=WORDS, newest first. Every word stands in the number, name, note, a tag, the vehicle, the origin, the date
 * (2026-05-17) or the name of a channel.
 */
export const sessionsQuery = z.object({ search: z.string().max(400).optional() });

export const sessionsView = z
  .object({
    sessions: z.array(sessionView),
    /** How many there are, found or not. */
    all: z.number(),
    laidAside: z.array(laidAsideView),
    keep: keepView,
  })
  .meta({ id: 'Sessions' });

export type SessionsView = z.infer<typeof sessionsView>;
