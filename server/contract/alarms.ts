// Alarms as browsers and HTTP clients see them.
import { z } from 'zod';

export const severityView = z.enum(['advisory', 'caution', 'warning']);

export const qualityView = z.enum(['ok', 'out-of-range', 'fault', 'missing', 'stale']);

/** One alarm that stands: its condition holds, or it is latched, or it is over but not yet acknowledged. */
export const alarmState = z
  .object({
    name: z.string(),
    severity: severityView,
    /** `raised`: the condition holds (or is unknown since). `latched`: it has passed, and the alarm stays until acknowledged. */
    state: z.enum(['raised', 'latched']),
    acknowledged: z.boolean(),
    acknowledgedBy: z.string().optional(),
    /** It came first in the burst of alarms that stands. */
    firstOut: z.boolean(),
    /** The condition can't be judged now (an input is bad): it stays, and the page says so. */
    unknown: z.boolean(),
    /** Session time at which it was raised, integer microseconds. */
    sinceUs: z.number(),
    sinceWallMs: z.number(),
    /** The channel that the condition is about (the first one it names), and its value when the alarm was raised. */
    channel: z.string().nullable(),
    value: z.number().nullable(),
    quality: qualityView,
    unit: z.string(),
    advice: z.string(),
    /** Number of the event that raised it. */
    sequence: z.number(),
  })
  .meta({ id: 'AlarmState' });

export type AlarmState = z.infer<typeof alarmState>;

/** Full alarm state as of event number `sequence`; the worst first, then the oldest. */
export const alarmsView = z.object({ sequence: z.number(), active: z.array(alarmState) }).meta({ id: 'AlarmsView' });

export type AlarmsView = z.infer<typeof alarmsView>;

/** One thing that happened to an alarm. */
export const alarmEvent = z
  .object({
    sequence: z.number(),
    timeUs: z.number(),
    wallMs: z.number(),
    alarm: z.string(),
    severity: severityView,
    event: z.enum(['raised', 'cleared', 'acknowledged', 'removed']),
    firstOut: z.boolean(),
    channel: z.string().nullable(),
    value: z.number().nullable(),
    quality: qualityView,
    unit: z.string(),
    /** Of an acknowledgement. */
    by: z.string().optional(),
  })
  .meta({ id: 'AlarmEvent' });

export type AlarmEvent = z.infer<typeof alarmEvent>;

/** GET /api/alarms?after=SEQUENCE: what stands, and the events after that number (oldest first). */
export const alarmHistory = z
  .object({
    sequence: z.number(),
    active: z.array(alarmState),
    events: z.array(alarmEvent),
    /** Events before this number are no longer held in memory; the session has them. */
    oldest: z.number(),
  })
  .meta({ id: 'AlarmHistory' });

export type AlarmHistory = z.infer<typeof alarmHistory>;

/** POST /api/alarms/:name/acknowledge */
export const acknowledgeRequest = z.object({ by: z.string().min(1).max(60).default('crew') }).meta({ id: 'AcknowledgeRequest' });

export type AcknowledgeRequest = z.input<typeof acknowledgeRequest>;
