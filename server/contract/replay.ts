// A recorded session as pages replay it: a stored reading is shown, never computed. The paths below hang on /api/sessions/:session.
import { z } from 'zod';
import { alarmsView, severityView } from './alarms.ts';
import { markView, sessionView } from './sessions.ts';
import { vehicleView } from './vehicle-view.ts';

/** Something to jump to. */
export const marker = z
  .object({
    timeUs: z.number(),
    kind: z.enum(['alarm', 'pull', 'hold', 'check', 'note', 'change', 'loss', 'definitions']),
    text: z.string(),
    /** Of an alarm. */
    severity: severityView.optional(),
    /** End of a pull, a hold or a check. */
    untilUs: z.number().optional(),
  })
  .meta({ id: 'Marker' });

export type Marker = z.infer<typeof marker>;

export const readingView = z
  .object({
    id: z.number(),
    madeWallMs: z.number(),
    program: z.string(),
    /** Of the definitions that it was made by. */
    hash: z.string(),
    state: z.enum(['growing', 'complete', 'failed']),
    note: z.string(),
  })
  .meta({ id: 'Reading' });

export type ReadingView = z.infer<typeof readingView>;

/** GET /api/sessions/:session?reading=ID (without: the one in use) */
export const sessionDetail = z
  .object({
    session: sessionView,
    reading: z.number(),
    readings: z.array(readingView),
    /** First and last instant, session time. */
    fromUs: z.number(),
    toUs: z.number(),
    /** The definitions that the session began with; `epoch` is 0, indices are those of `instantView`. */
    vehicle: vehicleView,
    /** In order of time. */
    markers: z.array(marker),
  })
  .meta({ id: 'SessionDetail' });

export type SessionDetail = z.infer<typeof sessionDetail>;

/** What stands beside every path of a session: which reading; without, the one in use. */
export const readingQuery = z.object({ reading: z.coerce.number().int().optional() });

/** GET .../instant?at=MICROSECONDS: the newest sample of each channel at or before that time, and the alarms that stood. */
export const instantQuery = readingQuery.extend({ at: z.coerce.number().int() });

export const instantView = z
  .object({
    timeUs: z.number(),
    wallMs: z.number(),
    /** By channel index of the session's vehicle view; null where the quality carries no number. */
    values: z.array(z.number().nullable()),
    /** Codes 0 ok, 1 out-of-range, 2 fault, 3 missing, 4 stale. */
    quality: z.array(z.number()),
    alarms: alarmsView,
  })
  .meta({ id: 'Instant' });

export type InstantView = z.infer<typeof instantView>;

/** GET .../step?at=MICROSECONDS&to=next: time of the next (or previous) frame; null at the end. */
export const stepQuery = readingQuery.extend({ at: z.coerce.number().int(), to: z.enum(['next', 'previous']) });

export const stepView = z.object({ timeUs: z.number().nullable() }).meta({ id: 'Step' });

export type StepView = z.infer<typeof stepView>;

// GET .../window is the live one's WindowQuery (`from`, `to` and either `width` or `pixels`) and answers its WindowView with epoch 0.
// GET .../why/:channel?at=MICROSECONDS answers a WhyView.

/** PATCH /api/sessions/:session: what a person says about it. */
export const sessionChange = z
  .object({
    name: z.string().max(200).optional(),
    note: z.string().max(4000).optional(),
    tags: z.array(z.string().min(1).max(60)).max(30).optional(),
    conditions: z.record(z.string().min(1).max(60), z.string().max(200)).optional(),
    /** All of them, those that stay too. */
    marks: z.array(markView).max(1000).optional(),
    pinned: z.boolean().optional(),
    /** From now on pages and exports show this reading. */
    reading: z.int().min(1).optional(),
  })
  .meta({ id: 'SessionChange' });

export type SessionChange = z.infer<typeof sessionChange>;

// DELETE /api/sessions/:session lays it aside; POST .../restore brings it back while it is still there. Both answer `{}`.
