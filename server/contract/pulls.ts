// Pulls and holds of a session with what they did to each cylinder, and the distribution study over several sessions.
import { z } from 'zod';

export const pullView = z
  .object({
    kind: z.enum(['sweep', 'hold']),
    /** Seconds from the session's first frame. */
    from: z.number(),
    to: z.number(),
    speedFrom: z.number(),
    speedTo: z.number(),
    complete: z.boolean(),
    cylinders: z.array(z.number()),
    /** Indicated temperatures, °C. */
    peaks: z.array(
      z.object({
        cylinder: z.number(),
        peakC: z.number().nullable(),
        at: z.number().nullable(),
        speed: z.number().nullable(),
        marginK: z.number().nullable(),
      }),
    ),
    bands: z.array(
      z.object({ speed: z.number(), temps: z.array(z.number().nullable()), spreadK: z.number().nullable(), rmsK: z.number().nullable() }),
    ),
    sets: z.array(
      z.object({ set: z.string(), dutyMax: z.number().nullable(), deltaMin: z.number().nullable(), deltaMax: z.number().nullable() }),
    ),
  })
  .meta({ id: 'Pull' });

export type PullView = z.infer<typeof pullView>;

const notJudged = z.array(z.object({ what: z.string(), line: z.string() }));

/** GET /api/sessions/:session/pulls */
export const pullsView = z
  .object({
    session: z.number(),
    seconds: z.number(),
    /** Session time of the first frame, microseconds: `from` and `to` count from it. */
    startUs: z.number(),
    pulls: z.array(pullView),
    notJudged,
  })
  .meta({ id: 'Pulls' });

export type PullsView = z.infer<typeof pullsView>;

/** GET /api/study?sessions=3,4: as `evenburn study --json`. */
export const studyView = z
  .looseObject({
    effects: z.array(
      z.looseObject({
        kind: z.string(),
        subject: z.string(),
        kelvin: z.number().nullable(),
        low: z.number().nullable(),
        high: z.number().nullable(),
        separable: z.boolean(),
      }),
    ),
    cylinders: z.array(
      z.looseObject({
        cylinder: z.number(),
        differs: z.boolean(),
        kelvin: z.number().nullable(),
        candidates: z.array(z.string()),
        test: z.string(),
      }),
    ),
    trials: z.array(
      z.looseObject({ kind: z.string(), change: z.string(), predictedSpread: z.number(), teaches: z.number(), moves: z.number() }),
    ),
    holds: z.array(z.looseObject({ session: z.number(), from: z.number(), to: z.number(), speed: z.number(), spread: z.number() })),
    notJudged,
  })
  .meta({ id: 'Study' });

export type StudyView = z.infer<typeof studyView>;

export const studyQuery = z.object({ sessions: z.string().regex(/^[1-9]\d{0,8}(,[1-9]\d{0,8}){0,19}$/) });
