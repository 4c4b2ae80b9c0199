// Samples as a Parquet file: a row a sample, values exact, bad ones null with their quality beside them.
import { fileWriter, ParquetWriter } from 'hyparquet-writer';
import type { Channel } from '../channels/channel-list.ts';
import { hasValue, qualityNames } from '../channels/quality.ts';
import type { SampleBatch } from '../channels/sample-batch.ts';

const rowsPerGroup = 100_000;

/**
 * Columns: `time_us` (session time, integer microseconds), `bus` (null where a channel comes from several or none), `channel`, `value`
 * (double, null where the quality carries no number), `quality`, `unit`.
 */
export class SampleParquet {
  private readonly writer: ParquetWriter;
  private readonly channels: readonly Pick<Channel, 'name' | 'unit' | 'bus'>[];
  private readonly busNames: readonly string[];
  rows = 0;

  /**
   * @param path File to write; one that is there is replaced.
   * @param about Key and value pairs for the file's metadata.
   */
  constructor(
    path: string,
    channels: readonly Pick<Channel, 'name' | 'unit' | 'bus'>[],
    busNames: readonly string[],
    about: Record<string, string>,
  ) {
    this.channels = channels;
    this.busNames = busNames;
    this.writer = new ParquetWriter({
      writer: fileWriter(path),
      schema: [
        { name: 'root', num_children: 6 },
        { name: 'time_us', type: 'INT64', repetition_type: 'REQUIRED' },
        { name: 'bus', type: 'BYTE_ARRAY', converted_type: 'UTF8', repetition_type: 'OPTIONAL' },
        { name: 'channel', type: 'BYTE_ARRAY', converted_type: 'UTF8', repetition_type: 'REQUIRED' },
        { name: 'value', type: 'DOUBLE', repetition_type: 'OPTIONAL' },
        { name: 'quality', type: 'BYTE_ARRAY', converted_type: 'UTF8', repetition_type: 'REQUIRED' },
        { name: 'unit', type: 'BYTE_ARRAY', converted_type: 'UTF8', repetition_type: 'REQUIRED' },
      ],
      kvMetadata: Object.entries(about).map(([key, value]) => ({ key, value })),
      createdBy: 'evenburn',
    });
  }

  write(batch: SampleBatch): void {
    for (let from = 0; from < batch.count; from += rowsPerGroup) this.writeGroup(batch, from, Math.min(batch.count, from + rowsPerGroup));
  }

  /** Ends the file; without it nothing can read it. */
  end(): void {
    this.writer.finish();
  }

  private writeGroup(batch: SampleBatch, from: number, to: number): void {
    const count = to - from;
    const timeUs = new BigInt64Array(count);
    const rows = Array.from({ length: count }, (_, i) => i + from);
    for (let i = 0; i < count; i++) timeUs[i] = BigInt(batch.timeUs[from + i] as number);
    const channelOf = (i: number) => this.channels[batch.channel[i] as number] as Pick<Channel, 'name' | 'unit' | 'bus'>;
    const busOf = (i: number): string | null => {
      const { bus } = channelOf(i);
      return bus === undefined ? null : (this.busNames[bus] ?? null);
    };
    this.writer.write({
      rowGroupSize: count,
      columnData: [
        { name: 'time_us', data: timeUs },
        { name: 'bus', data: rows.map(busOf) },
        { name: 'channel', data: rows.map((i) => channelOf(i).name) },
        { name: 'value', data: rows.map((i) => (hasValue(batch.quality[i] as number) ? (batch.value[i] as number) : null)) },
        { name: 'quality', data: rows.map((i) => qualityNames[batch.quality[i] as number] as string) },
        { name: 'unit', data: rows.map((i) => channelOf(i).unit) },
      ],
    });
    this.rows += count;
  }
}
