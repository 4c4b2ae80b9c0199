// Every id seen on the buses, with or without a definition.
import { z } from 'zod';
import { qualityView } from './alarms.ts';

export const seenSignal = z
  .object({
    name: z.string(),
    channel: z.number(),
    bits: z.array(z.number()),
    value: z.number().nullable(),
    quality: qualityView,
    unit: z.string(),
    stateName: z.string().optional(),
  })
  .meta({ id: 'SeenSignal' });

export const seenFrame = z
  .object({
    bus: z.string(),
    id: z.number(),
    /** `0x4C0`, eight digits for 29 bits. */
    idHex: z.string(),
    extended: z.boolean(),
    /** J1939 reading of a 29-bit id. */
    pgn: z.number().optional(),
    sourceAddress: z.number().optional(),
    remote: z.boolean(),
    fd: z.boolean(),
    /** The vehicle's names; null: nothing defines this id. */
    frame: z.string().nullable(),
    device: z.string().nullable(),
    count: z.number(),
    /** Over the last 16 gaps; null: fewer than two frames. */
    periodMs: z.number().nullable(),
    periodMinMs: z.number().nullable(),
    periodMaxMs: z.number().nullable(),
    definedPeriodMs: z.number().nullable(),
    lastTimeUs: z.number(),
    length: z.number(),
    definedLength: z.number().nullable(),
    shortCount: z.number(),
    longCount: z.number(),
    /** Last bytes, hexadecimal. */
    bytes: z.string(),
    /** Bits that ever changed, hexadecimal, byte by byte as `bytes`. */
    changedBits: z.string(),
    /** Bits that no signal claims. */
    unclaimedBits: z.string(),
    signals: z.array(seenSignal),
  })
  .meta({ id: 'SeenFrame' });

export type SeenFrame = z.infer<typeof seenFrame>;

/** GET /api/frames, ordered by bus and id. Error frames are counted by class beside them. */
export const framesView = z
  .object({
    epoch: z.number(),
    timeUs: z.number(),
    frames: z.array(seenFrame),
    errors: z.array(z.object({ bus: z.string(), kind: z.string(), count: z.number(), lastTimeUs: z.number() })),
    /** Ids beyond the bound of the table, counted and not listed. */
    notListed: z.number(),
  })
  .meta({ id: 'Frames' });

export type FramesView = z.infer<typeof framesView>;
