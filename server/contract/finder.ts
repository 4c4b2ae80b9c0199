// Searches for undocumented signals: what is searched, what it should follow, and the ranked places with their evidence.
import { z } from 'zod';

const stretch = z.object({ fromUs: z.number(), toUs: z.number() }).refine(({ fromUs, toUs }) => fromUs < toUs, 'must end behind its begin');

/** POST /api/searches. One of `like` and `during` is given. Times are session time. */
export const searchRequest = z
  .object({
    /** A recorded session, or the one that is being recorded. */
    session: z.union([z.int().min(1), z.literal('live')]),
    /** Only this stretch of it; without it, all. */
    fromUs: z.number().optional(),
    toUs: z.number().optional(),
    /** A channel that the wanted signal moves with. */
    like: z.string().min(1).max(200).optional(),
    /** When it was heated, swept, pressed. */
    during: z.array(stretch).min(1).max(50).optional(),
    /** Leave out bits that a definition claims already. */
    unclaimed: z.boolean().default(true),
    top: z.int().min(1).max(50).default(10),
  })
  .meta({ id: 'SearchRequest' });

export type SearchRequest = z.infer<typeof searchRequest>;

const fieldPlace = z.object({
  startBit: z.number(),
  bitLength: z.number(),
  byteOrder: z.enum(['little', 'big']),
  sign: z.enum(['unsigned', 'signed']),
});

/** Lowest and highest of each bin; null where nothing is known. */
const bins = z.object({ low: z.array(z.number().nullable()), high: z.array(z.number().nullable()) });

export const findingView = z
  .object({
    ...fieldPlace.shape,
    /** From 1, the likeliest first. */
    number: z.number(),
    bus: z.string(),
    /** `0x4C0`, or eight digits for a 29-bit id. */
    idHex: z.string(),
    extended: z.boolean(),
    lengthBytes: z.number(),
    /** Bits that it takes, byte × 8 + bit. */
    bits: z.array(z.number()),
    /** Only in frames in which these bits have this value. */
    page: z.object({ startBit: z.number(), bitLength: z.number(), value: z.number() }).optional(),
    /** Correlation with what it should follow; negative where it falls as that rises. */
    r: z.number(),
    /** How much later it moves; negative: earlier. */
    lagS: z.number(),
    /** Time constant of its answer; 0: at once. */
    riseS: z.number(),
    /** There and back within each stretch. */
    swept: z.boolean(),
    /** What it should follow ≈ raw × factor + offset. */
    factor: z.number(),
    offset: z.number(),
    /** False: the highest bit was never set, so that the recording doesn't tell whether it is a sign. */
    signTold: z.boolean(),
    frames: z.number(),
    /** Other places in the same bits that follow about as well. */
    alike: z.array(fieldPlace),
    /** Channels that lie in its bits already. */
    defined: z.array(z.string()),
    /** Devices whose file could hold it: those that have a frame of the id, else all of the bus. */
    devices: z.array(z.string()),
    /** Evidence: bin i begins `i × widthUs` behind `fromUs`. `raw` is the field's, `stimulus` what it should follow, as shifted and delayed as it fits. */
    plot: z.object({ fromUs: z.number(), widthUs: z.number(), raw: bins, stimulus: bins }),
  })
  .meta({ id: 'SignalFinding' });

export type FindingView = z.infer<typeof findingView>;

export const searchView = z
  .object({
    search: z.number(),
    state: z.enum(['waiting', 'running', 'done', 'failed', 'cancelled']),
    /** 0 to 1. */
    share: z.number(),
    session: z.number(),
    /** Channel that it should follow; null: what was done in stretches. */
    like: z.string().nullable(),
    /** Unit of that channel. */
    unit: z.string(),
    frames: z.number(),
    ids: z.number(),
    /** Fields tried. */
    candidates: z.number(),
    findings: z.array(findingView),
    /** Why it failed; else empty. */
    problem: z.string(),
  })
  .meta({ id: 'SignalSearch' });

export type SearchView = z.infer<typeof searchView>;

/** POST /api/searches/:search/findings/:number/signal: written into the device's file. */
export const signalRequest = z
  .object({
    device: z.string().min(1).max(100),
    name: z.string().regex(/^[a-z][a-z0-9_]{0,99}$/, 'must be lower case letters, digits and underscores'),
    unit: z.string().max(20).optional(),
    factor: z.number().refine((factor) => factor !== 0, 'must not be 0'),
    offset: z.number(),
  })
  .meta({ id: 'SignalRequest' });

export type SignalRequest = z.infer<typeof signalRequest>;
