// A stretch of channels as min/max bins, for plots: of the live rolling store.
import { z } from 'zod';

/**
 * GET /api/window: either `from`, `to` and `width` (microseconds; the width of a plot subscription) or `pixels`, or `span` and `pixels` up
 * to now.
 */
export const windowQuery = z.object({
  /** Names, comma-separated. */
  channels: z.string().min(1).max(4000),
  from: z.coerce.number().int().optional(),
  to: z.coerce.number().int().optional(),
  width: z.coerce.number().int().positive().optional(),
  span: z.coerce.number().int().min(1_000_000).max(3_600_000_000).optional(),
  pixels: z.coerce.number().int().min(1).max(4096).optional(),
});

export type WindowQuery = z.infer<typeof windowQuery>;

export const windowTrace = z.object({
  channel: z.string(),
  index: z.number(),
  unit: z.string(),
  /** Null where no sample of the bin had a number. */
  low: z.array(z.number().nullable()),
  high: z.array(z.number().nullable()),
  /** Codes: 0 ok, 1 out-of-range, 2 fault, 3 missing, 4 stale (the worst of the bin), 5 no sample and the value before holds, 6 nothing known. */
  quality: z.array(z.number()),
});

/** Bin `first + i` covers [(first + i) × widthUs, (first + i + 1) × widthUs); the last may still be growing. */
export const windowView = z
  .object({
    epoch: z.number(),
    timeUs: z.number(),
    widthUs: z.number(),
    first: z.number(),
    count: z.number(),
    traces: z.array(windowTrace),
  })
  .meta({ id: 'Window' });

export type WindowView = z.infer<typeof windowView>;
