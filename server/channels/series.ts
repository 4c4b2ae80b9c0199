// Whole recordings by channel, in memory: what the checks' and the dyno's judgement works on. No I/O here.

/** One channel's samples in time order. `value[i]` means nothing where `quality[i]` carries no number (`hasValue`). */
export interface Series {
  channel: string;
  unit: string;
  timeUs: Float64Array;
  value: Float64Array;
  quality: Uint8Array;
}

/** All channels of a recording. Times are the recording's own; `startUs` is its first frame. */
export interface SeriesSet {
  startUs: number;
  endUs: number;
  frames: number;
  /** Undefined when the channel does not exist or never had a sample. */
  get(channel: string): Series | undefined;
}
