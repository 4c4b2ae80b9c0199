// The log book: what people wrote down about a vehicle, one shape a kind of entry.
import { z } from 'zod';

/** What a person gives with every kind of entry. */
const given = {
  by: z.string().trim().min(1).max(60).describe('Who writes it down'),
  session: z.number().int().positive().nullish().describe('The session it belongs to; by default the one that is recorded now'),
  note: z.string().trim().max(2000).default(''),
};

/** Name of a stored photo or log, as POST /api/attachments answers it. */
export const attachmentName = z.string().regex(/^[0-9a-f]{64}\.(jpg|png|csv)$/);

const namedSession = z.number().int().positive();
/** Session time, microseconds. */
const timeUs = z.number().int().nonnegative();
const cylinder = z.number().int().positive().max(64);
const trialKind = z.enum(['set-off', 'regroup', 'label-swap', 'probe-swap', 'injector-swap', 'enrich', 'other']);

/** What the dyno page writes: corrections of pulls, the dyno and its air, logs of torque, trials, sheets of plugs. */
const dynoKinds = [
  z.object({
    ...given,
    kind: z.literal('pull'),
    session: namedSession,
    /** A time within the pull that is meant; of one put in by hand its beginning. */
    atUs: timeUs,
    name: z.string().trim().max(60).optional(),
    number: z.number().int().min(1).max(9999).optional(),
    isNone: z.boolean().optional(),
    fromUs: timeUs.optional(),
    toUs: timeUs.optional(),
    as: z.enum(['sweep', 'hold']).optional(),
  }),
  /** Kind, gear, ratio and boost control hold for later sessions too; the air is that of its session. */
  z.object({
    ...given,
    kind: z.literal('dyno'),
    session: namedSession,
    dyno: z.enum(['inertia', 'brake', 'engine', 'chassis']).optional(),
    gear: z.string().trim().max(20).optional(),
    /** Turns of the engine for one of the roller. */
    rollerRatio: z.number().positive().max(1000).optional(),
    holdsAbsolute: z.boolean().optional(),
    stationKpa: z.number().min(50).max(120).optional(),
    roomC: z.number().min(-40).max(80).optional(),
    humidityPercent: z.number().min(0).max(100).optional(),
  }),
  z.object({
    ...given,
    kind: z.literal('torque-log'),
    session: namedSession,
    file: attachmentName,
    name: z.string().trim().min(1).max(120),
    /** Taken out again. */
    isNone: z.boolean().optional(),
  }),
  z.object({
    ...given,
    kind: z.literal('trial'),
    trial: trialKind,
    change: z.string().trim().min(1).max(400),
    predictedSpread: z.number().optional(),
    /** The sessions of the study that predicted it. */
    studied: z.array(namedSession).max(20).optional(),
    /** Of a regrouping: group → cylinders. */
    plan: z.record(z.string().max(60), z.array(cylinder).max(64)).optional(),
    /** The first session that was driven with it, where it was written down later; by default what is recorded from now on. */
    since: namedSession.optional(),
  }),
  z.object({
    ...given,
    kind: z.literal('trial-undone'),
    /** The trial's entry. */
    of: z.number().int().positive(),
    since: namedSession.optional(),
  }),
  z.object({
    ...given,
    kind: z.literal('plug-sheet'),
    cylinder,
    /** The plug itself, and how it looks, in words. */
    plug: z.string().trim().max(60).default(''),
    look: z.string().trim().max(400).default(''),
    photo: attachmentName.optional(),
  }),
] as const;

const degrees = z.number().min(-180).max(180);

/** What the history page writes: readings of the timing light, and sheets of heat cycles. */
const historyKinds = [
  /** Degrees of crank before top centre, so an ignition that comes late reads less. */
  z.object({
    ...given,
    kind: z.literal('timing-reading'),
    speedRpm: z.number().positive().max(30_000),
    lightDeg: degrees,
    commandedDeg: degrees,
    /** The controller's counter of lost sync as it stood. */
    syncLosses: z.number().nonnegative().nullish(),
  }),
  /** A reading that was wrong is left out from here on. */
  z.object({ ...given, kind: z.literal('timing-undone'), of: z.number().int().positive() }),
  /** Something was adjusted: readings before this say nothing of how it is now. */
  z.object({ ...given, kind: z.literal('timing-adjusted'), what: z.string().trim().min(1).max(200) }),
  /** What was done and seen while the engine was cold behind a heat cycle; the newest of a cycle holds. */
  z.object({
    ...given,
    kind: z.literal('heat-cycle-sheet'),
    session: namedSession,
    /** Begin of the cycle's first run, seconds from that session's first frame. */
    fromS: z.number().nonnegative(),
    retorqued: z.boolean().default(false),
    lashSet: z.boolean().default(false),
    filterCut: z.boolean().default(false),
    plugsRead: z.boolean().default(false),
    oilLook: z.enum(['', 'clear', 'dark', 'milky', 'metal in it']).default(''),
  }),
] as const;

const words = z.string().max(2000);
const entryNumber = z.number().int().positive();

/** What led checks, the preparation list and corrections of the vehicle file write. */
const checkKinds = [
  z.object({
    ...given,
    kind: z.literal('check-begun'),
    check: z.string().min(1).max(200),
    order: z.array(cylinder).max(64).optional(),
  }),
  z.object({
    ...given,
    kind: z.literal('check-step'),
    /** The entry in which the check was begun. */
    of: entryNumber,
    step: z.string().min(1).max(200),
    outcome: z.enum(['begun', 'done', 'skipped']),
    /** From the beginning of the check. */
    seconds: z.number().min(0),
    value: z.number().optional(),
    cylinders: z.array(cylinder).max(64).optional(),
    reason: words.optional(),
  }),
  /** Without a run it was dropped. */
  z.object({ ...given, kind: z.literal('check-ended'), of: entryNumber, run: z.number().int().positive().optional() }),
  /** Something open that a person noted, such as a line waiting for a fitting. */
  z.object({ ...given, kind: z.literal('open-item'), title: z.string().trim().min(1).max(200), blocking: z.boolean().default(true) }),
  /** An item of the preparation list: closed, waived with a reason, or open again. */
  z.object({
    ...given,
    kind: z.literal('item-settled'),
    item: z.string().min(1).max(300),
    state: z.enum(['closed', 'waived', 'open']),
    reason: z.string().trim().max(400).default(''),
    /** What the item was about when it was waived. */
    covers: z.array(words).max(1000).default([]),
  }),
  /** The list is gone through anew: what people closed and waived before counts no more. */
  z.object({ ...given, kind: z.literal('preparation-begun') }),
  /** What a check's run corrected in vehicle.yaml, and what stood there before. */
  z.object({
    ...given,
    kind: z.literal('correction'),
    run: z.number().int().positive(),
    changes: z.array(z.object({ what: words, from: words, to: words })).max(200),
  }),
] as const;

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
  ...dynoKinds,
  ...checkKinds,
  ...historyKinds,
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
