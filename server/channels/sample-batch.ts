// Samples as struct of arrays: what decoding and derivation produce, in the order in which they came to be.

/**
 * Samples in time order. `value[i]` means nothing (and is 0) where `quality[i]` carries no number (`hasValue`).
 */
export class SampleBatch {
  count = 0;
  /** Index in the channel list. */
  channel: Uint16Array;
  /** Integer microseconds of session time. */
  timeUs: Float64Array;
  value: Float64Array;
  quality: Uint8Array;

  constructor(samplesMax = 4096) {
    this.channel = new Uint16Array(samplesMax);
    this.timeUs = new Float64Array(samplesMax);
    this.value = new Float64Array(samplesMax);
    this.quality = new Uint8Array(samplesMax);
  }

  clear(): void {
    this.count = 0;
  }

  /** Makes room for `more` samples, so that a hot loop may write without checking. */
  reserve(more: number): void {
    const needed = this.count + more;
    if (needed <= this.channel.length) return;
    let samplesMax = this.channel.length;
    while (samplesMax < needed) samplesMax *= 2;
    const grown = new SampleBatch(samplesMax);
    grown.channel.set(this.channel);
    grown.timeUs.set(this.timeUs);
    grown.value.set(this.value);
    grown.quality.set(this.quality);
    this.channel = grown.channel;
    this.timeUs = grown.timeUs;
    this.value = grown.value;
    this.quality = grown.quality;
  }

  /** Appends samples `from` up to, not including, `to` of another batch. */
  append(other: SampleBatch, from: number, to: number): void {
    this.reserve(to - from);
    const at = this.count;
    this.channel.set(other.channel.subarray(from, to), at);
    this.timeUs.set(other.timeUs.subarray(from, to), at);
    this.value.set(other.value.subarray(from, to), at);
    this.quality.set(other.quality.subarray(from, to), at);
    this.count = at + to - from;
  }

  push(channel: number, timeUs: number, value: number, quality: number): void {
    if (this.count === this.channel.length) this.reserve(1);
    const i = this.count++;
    this.channel[i] = channel;
    this.timeUs[i] = timeUs;
    this.value[i] = value;
    this.quality[i] = quality;
  }
}
