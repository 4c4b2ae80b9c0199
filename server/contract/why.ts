// 'Why this number?': the chain from a channel down to the wire, as of one instant; and of a derived figure the rule and what it was computed from.
import { z } from 'zod';
import { qualityView } from './alarms.ts';

/** The bits a signal was read from. */
export const whySignal = z
  .object({
    bus: z.string(),
    device: z.string(),
    deviceTitle: z.string(),
    frame: z.string(),
    /** As on the wire, hexadecimal: `0x4C0`. Null: never seen. */
    id: z.string().nullable(),
    extended: z.boolean(),
    /** Session time of the frame; null: never seen. */
    frameTimeUs: z.number().nullable(),
    periodUs: z.number().optional(),
    lengthBytes: z.number(),
    /** The frame's bytes in hexadecimal, two digits each; empty: never seen. */
    bytes: z.string(),
    startBit: z.number(),
    bitLength: z.number(),
    byteOrder: z.enum(['little', 'big']),
    sign: z.enum(['unsigned', 'signed', 'float']),
    /** Bit positions from the signal's most significant bit to its least; bit 0 is the lowest of byte 0. */
    bits: z.array(z.number()),
    /** Decimal, all bits kept (a float as its number); null: no such frame, or its multiplexing says that the signal isn't in it. */
    raw: z.string().nullable(),
    rawHex: z.string().nullable(),
    /** Name of the raw value, when it has one. */
    stateName: z.string().optional(),
    factor: z.number(),
    offset: z.number(),
    /** `420 × 0.1 − 50 = −8 degC` */
    arithmetic: z.string(),
    when: z.string().optional(),
    /** Where it is defined: `devices/thermocouple-box.yaml:14`. */
    definedAt: z.string(),
  })
  .meta({ id: 'WhySignal' });

export type WhySignal = z.infer<typeof whySignal>;

/** A connector and pin on the way from the device to the engine, as `harness.yaml` says it. */
export const whyWire = z
  .object({ connector: z.string(), pin: z.string(), wire: z.string().optional(), to: z.string().optional() })
  .meta({ id: 'WhyWire' });

export const whyNode = z
  .object({
    channel: z.string(),
    kind: z.enum(['signal', 'built-in', 'derived']),
    value: z.number().nullable(),
    quality: qualityView,
    unit: z.string(),
    /** Session time of the sample; null: none yet. */
    sampleTimeUs: z.number().nullable(),
    /** Why it isn't `ok`, in a sentence; empty when it is. */
    because: z.string(),
    formula: z.string().optional(),
    /** Names of other nodes. */
    inputs: z.array(z.string()),
    signal: whySignal.optional(),
    wires: z.array(whyWire).optional(),
    /** What the vehicle doesn't say, with the line that would let it be shown. */
    notKnown: z.string().optional(),
  })
  .meta({ id: 'WhyNode' });

export type WhyNode = z.infer<typeof whyNode>;

/** GET /api/why/:channel. `nodes[0]` is the channel asked for; every input's name is a later node, each once. */
export const whyView = z.object({ epoch: z.number(), timeUs: z.number(), wallMs: z.number(), nodes: z.array(whyNode) }).meta({ id: 'Why' });

export type WhyView = z.infer<typeof whyView>;

/** A stretch of a recording that a figure was computed over, session time; `session` null: what was driven is not recorded. */
const figureStretch = z.object({ session: z.number().nullable(), fromUs: z.number(), toUs: z.number(), what: z.string() });

/** GET /api/figures?of=ADDRESS. A figure that was computed from channels over a stretch: of a pull, a comparison, a study, a check. */
export const figureView = z
  .object({
    title: z.string(),
    /** Null: there is no number, and `doubts` says why. */
    value: z.number().nullable(),
    unit: z.string(),
    /** A difference: of temperatures it is converted as one. */
    isDifference: z.boolean(),
    rule: z.string(),
    /** A standard, a handbook, a paper; or `common practice, no source`. */
    source: z.string(),
    /** The rule with its numbers, a line each, in the units of the files. */
    worked: z.array(z.string()),
    /** Quality and uncertainty. */
    doubts: z.array(z.string()),
    stretches: z.array(figureStretch),
    /** Each with the instant as of which its chain can be asked for. */
    channels: z.array(z.object({ session: z.number().nullable(), channel: z.string(), atUs: z.number(), what: z.string() })),
    /** Figures that it was computed from, each by its own address. */
    figures: z.array(z.object({ figure: z.string(), title: z.string(), value: z.number().nullable(), unit: z.string() })),
  })
  .meta({ id: 'Figure' });

export type FigureView = z.infer<typeof figureView>;

/** Addresses are parts joined by `/`, each encoded as a part of a URL: `pulls/3/2/spread/4125`. */
export const figureQuery = z.object({ of: z.string().min(1).max(4000) });
