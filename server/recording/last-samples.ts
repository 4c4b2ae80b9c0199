// The newest sample of every channel of a reading: kept at the head of each slice, so that any instant is one look-up away.
import { deflateSync } from 'node:zlib';
import { ByteReader, ByteWriter, inflated } from './bytes.ts';
import type { Column } from './chunk.ts';

export interface LastSample {
  timeUs: number;
  /** 0 where the quality carries no number. */
  value: number;
  quality: number;
}

/** By channel id; undefined before the channel's first sample. */
export class LastSamples {
  private readonly samples: (LastSample | undefined)[] = [];

  /** Keeps the sample unless it is older than what is held (a late frame's). */
  take(channel: number, timeUs: number, value: number, quality: number): void {
    const held = this.samples[channel];
    if (!held) this.samples[channel] = { timeUs, value, quality };
    else if (timeUs >= held.timeUs) {
      held.timeUs = timeUs;
      held.value = value;
      held.quality = quality;
    }
  }

  /** Takes the samples of a column that are older than `beforeUs`. */
  takeColumn(channel: number, { timeUs, value, quality }: Column, beforeUs = Number.POSITIVE_INFINITY): void {
    let newest = -1;
    let newestUs = Number.NEGATIVE_INFINITY;
    for (let i = 0; i < timeUs.length; i++) {
      const us = timeUs[i] as number;
      if (us >= beforeUs || us < newestUs) continue;
      newestUs = us;
      newest = i;
    }
    if (newest >= 0) this.take(channel, newestUs, value[newest] as number, quality[newest] as number);
  }

  find(channel: number): LastSample | undefined {
    return this.samples[channel];
  }

  encode(): Uint8Array {
    const held = [...this.samples.entries()].filter((entry): entry is [number, LastSample] => entry[1] !== undefined);
    const out = new ByteWriter(held.length * 20 + 16);
    out.varint(held.length);
    for (const [channel] of held) out.varint(channel);
    for (const [, sample] of held) out.byte(sample.quality);
    let lastUs = 0;
    for (const [, sample] of held) {
      out.signed(sample.timeUs - lastUs);
      lastUs = sample.timeUs;
    }
    for (const [, sample] of held) out.double(sample.value);
    return deflateSync(out.bytes.subarray(0, out.length));
  }

  /** @throws Error when the blob is damaged. */
  static decode(blob: Uint8Array): LastSamples {
    const reader = new ByteReader(inflated(blob));
    const last = new LastSamples();
    const channels = Array.from({ length: reader.varint() }, () => reader.varint());
    const qualities = channels.map(() => reader.byte());
    let timeUs = 0;
    const times = channels.map(() => {
      timeUs += reader.signed();
      return timeUs;
    });
    for (const [i, channel] of channels.entries()) last.take(channel, times[i] as number, reader.double(), qualities[i] as number);
    return last;
  }
}
