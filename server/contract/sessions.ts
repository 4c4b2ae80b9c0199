// Recorded sessions as lists show them.
import { z } from 'zod';

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
    note: z.string(),
    /** How it came: live, or a file's name. */
    origin: z.string(),
  })
  .meta({ id: 'Session' });

export type SessionView = z.infer<typeof sessionView>;

/** GET /api/sessions, newest first. */
export const sessionsView = z.object({ sessions: z.array(sessionView) }).meta({ id: 'Sessions' });

export type SessionsView = z.infer<typeof sessionsView>;
