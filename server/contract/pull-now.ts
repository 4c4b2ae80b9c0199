// The pull in progress as it is streamed, and what was said of the last one as soon as it was over.
import { z } from 'zod';
import { pullView } from './pulls.ts';

const number = z.number().nullable();

const pullNowView = z.object({
  phase: z.enum(['none', 'sweep', 'hold']),
  /** Session time since which it lasts, microseconds. */
  sinceUs: number,
  rpm: number,
  cylinders: z.array(z.object({ cylinder: z.number(), tempC: number, limitInS: number, liftNow: z.boolean(), falls: z.boolean() })),
  nearest: z.object({ cylinder: z.number(), limitInS: z.number() }).nullable(),
  liftNow: z.boolean(),
  spreadK: number,
  rmsK: number,
  /** Of the last pull at this engine speed. */
  lastSpreadK: number,
  lastRmsK: number,
  /** Session time of that pull's beginning, microseconds, and the middle of the band. */
  last: z.object({ fromUs: z.number(), rpm: z.number() }).nullable(),
  sets: z.array(
    z.object({
      set: z.string(),
      dutyPercent: number,
      headroomPercent: number,
      deltaKpa: number,
      bandKpa: z.tuple([z.number(), z.number()]).nullable(),
      inBand: z.boolean().nullable(),
    }),
  ),
  readiness: z.object({
    ready: z.boolean().nullable(),
    items: z.array(
      z.object({
        what: z.enum(['oil', 'coolant', 'intake', 'fuel', 'exhaust']),
        now: number,
        low: z.number(),
        high: z.number(),
        ok: z.boolean().nullable(),
      }),
    ),
  }),
  notJudged: z.array(z.object({ what: z.string(), line: z.string() })),
});

/** The last pull or hold that ended, as far as it has come: a sweep's peaks come up to 3 s after the lift. */
export const pullOver = z.object({
  /** Session time of its beginning, microseconds. */
  fromUs: z.number(),
  /** It stays as it is from now on. */
  settled: z.boolean(),
  pull: pullView,
});

/** GET /api/pulls/now, and each line of GET /api/pulls/now/stream (there `over` only when it changed). */
export const pullNow = z
  .object({
    timeUs: z.number(),
    now: pullNowView,
    /** Ended since the server began. */
    count: z.number(),
    /** Counts changes of `over`. */
    overVersion: z.number(),
    over: pullOver.nullable().optional(),
  })
  .meta({ id: 'PullNow' });

export type PullNowView = z.infer<typeof pullNow>;
