// What a channel is worth now, as small integers so that a column of them is a Uint8Array.

/** Ascending badness: the worst input's reason is the greatest code. */
export const quality = { ok: 0, outOfRange: 1, fault: 2, missing: 3, stale: 4 } as const;

export type QualityCode = (typeof quality)[keyof typeof quality];

export const qualityNames = ['ok', 'out-of-range', 'fault', 'missing', 'stale'] as const;

export type QualityName = (typeof qualityNames)[number];

/** True when the quality carries a number: `ok` and `out-of-range`. Every other one has value null, never NaN. */
export function hasValue(code: number): boolean {
  return code <= quality.outOfRange;
}
