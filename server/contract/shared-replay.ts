// A replay that several browsers follow: they share which session and reading, where it stands and how fast it goes, and nothing else.
import { z } from 'zod';

/** PUT /api/sessions/:session/replay: whoever follows goes there. Speed 0 stands still. */
export const replayMove = z
  .object({ reading: z.int().min(1), positionUs: z.int(), speed: z.number().min(0).max(50) })
  .meta({ id: 'ReplayMove' });

export type ReplayMove = z.infer<typeof replayMove>;

export const sharedReplay = z
  .object({
    /** Counts the moves: an older one is forgotten. */
    sequence: z.number(),
    reading: z.number(),
    /** As of the moment of sending; it may lie behind the session's end. */
    positionUs: z.number(),
    speed: z.number(),
  })
  .meta({ id: 'SharedReplay' });

export type SharedReplay = z.infer<typeof sharedReplay>;

/** What GET /api/sessions/:session/replay/stream sends at every move and whenever somebody comes or goes (server-sent events). */
export const replayNews = z.object({
  /** Null: nobody has moved it yet. */
  replay: sharedReplay.nullable(),
  followers: z.number(),
});

export type ReplayNews = z.infer<typeof replayNews>;
