// What the samples of channels amount to between two places of a recorded session.
import { z } from 'zod';

/** GET /api/sessions/:session/statistics: over times, or over those times at which another channel lay between two values. */
export const statisticsQuery = z.object({
  /** Names, comma-separated. */
  channels: z.string().min(1).max(4000),
  from: z.coerce.number().int(),
  to: z.coerce.number().int(),
  /** Only samples at whose time the newest value of this channel was at least `axisFrom` and at most `axisTo`. */
  axis: z.string().max(200).optional(),
  axisFrom: z.coerce.number().optional(),
  axisTo: z.coerce.number().optional(),
});

export type StatisticsQuery = z.infer<typeof statisticsQuery>;

export const channelStatistics = z.object({
  channel: z.string(),
  unit: z.string(),
  /** Samples that were ok: the numbers below are of these alone. Null where there was none. */
  ok: z.number(),
  /** Samples outside the range that the vehicle file gives, and without a number. */
  outOfRange: z.number(),
  bad: z.number(),
  low: z.number().nullable(),
  high: z.number().nullable(),
  mean: z.number().nullable(),
  /** Percentiles, interpolated between the two samples that they lie between. */
  p5: z.number().nullable(),
  p50: z.number().nullable(),
  p95: z.number().nullable(),
  /**
   * Session time in microseconds of a sample behind each number, the first of that value, where it can be asked why; of a percentile
   * between two samples the lower one's. Null where the number is.
   */
  lowAt: z.number().nullable(),
  highAt: z.number().nullable(),
  p5At: z.number().nullable(),
  p50At: z.number().nullable(),
  p95At: z.number().nullable(),
});

export type ChannelStatistics = z.infer<typeof channelStatistics>;

/** A channel of the vehicle that never had a sample is there with `ok` 0. */
export const statisticsView = z.object({ channels: z.array(channelStatistics) }).meta({ id: 'Statistics' });

export type StatisticsView = z.infer<typeof statisticsView>;
