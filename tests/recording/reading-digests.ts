// What a reading holds, channel by channel, small enough to compare: a digest of every bit of its samples in their order, and its alarms.
import { createHash, type Hash } from 'node:crypto';
import type { AlarmEvent } from '../../server/alarms/alarm-event.ts';
import type { Channel } from '../../server/channels/channel-list.ts';
import { qualityNames } from '../../server/channels/quality.ts';
import type { SampleBatch } from '../../server/channels/sample-batch.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { Pipeline } from '../../server/pipeline.ts';
import type { PipelineInput } from '../../server/pipeline-input.ts';
import { ReadingFile } from '../../server/recording/reading-file.ts';
import { SessionFile } from '../../server/recording/session-file.ts';

export interface ReadingDigest {
  samples: number;
  /** How many of each quality, by its code. */
  qualities: number[];
  /** Name and unit, then how many samples and their digest; in the order of names. */
  channels: string[];
  alarms: AlarmEvent[];
}

class Digester {
  private readonly hashes = new Map<string, { count: number; hash: Hash }>();
  private readonly qualities = qualityNames.map(() => 0);
  private readonly sample = new Float64Array(3);
  private readonly bytes = Buffer.from(this.sample.buffer);

  add(channel: string, timeUs: number, value: number, quality: number): void {
    let found = this.hashes.get(channel);
    if (!found) {
      found = { count: 0, hash: createHash('sha1') };
      this.hashes.set(channel, found);
    }
    found.count++;
    this.qualities[quality] = (this.qualities[quality] ?? 0) + 1;
    this.sample.set([timeUs, value, quality]);
    found.hash.update(this.bytes);
  }

  digest(alarms: AlarmEvent[]): ReadingDigest {
    const all = [...this.hashes].sort(([a], [b]) => (a < b ? -1 : 1));
    return {
      samples: all.reduce((sum, [, { count }]) => sum + count, 0),
      qualities: this.qualities,
      channels: all.map(([channel, { count, hash }]) => `${channel}: ${count} samples, ${hash.digest('hex')}`),
      alarms,
    };
  }
}

/** What a pipeline of the test's own makes of the inputs, in this process and without any recording. */
export function digestOfInputs(vehicle: Vehicle, inputs: Iterable<PipelineInput>): ReadingDigest {
  const digester = new Digester();
  const alarms: AlarmEvent[] = [];
  let channels: readonly Channel[] = [];
  const pipeline = new Pipeline(vehicle, {
    samples: (batch: SampleBatch) => {
      for (let i = 0; i < batch.count; i++) {
        const { name, unit } = channels[batch.channel[i] as number] as Channel;
        digester.add(`${name} [${unit}]`, batch.timeUs[i] as number, batch.value[i] as number, batch.quality[i] as number);
      }
    },
    alarm: (event) => alarms.push({ ...event }),
    definitions: (_timeUs, _vehicle, now) => {
      channels = now;
    },
  });
  channels = pipeline.channels;
  for (const input of inputs) pipeline.take(input);
  pipeline.finish();
  return digester.digest(alarms);
}

/** What is stored of a reading. */
export function digestOfReading(data: string, session: number, id: number): ReadingDigest {
  const file = SessionFile.open(data, session);
  try {
    const digester = new Digester();
    const reading = new ReadingFile(file, id);
    for (const { id: channel, name, unit } of reading.channels) {
      for (const { timeUs, value, quality } of reading.samples(channel)) {
        for (let i = 0; i < timeUs.length; i++) {
          digester.add(`${name} [${unit}]`, timeUs[i] as number, value[i] as number, quality[i] as number);
        }
      }
    }
    return digester.digest(reading.alarms());
  } finally {
    file.close();
  }
}
