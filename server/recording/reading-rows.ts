// A stored reading as rows in order of time: what exports of samples are made from.
import type { Channel } from '../channels/channel-list.ts';
import { hasValue } from '../channels/quality.ts';
import { SampleBatch } from '../channels/sample-batch.ts';
import type { Column } from './chunk.ts';
import type { ReadingChannel } from './reading-channels.ts';
import type { ReadingFile } from './reading-file.ts';

const columnsMax = 65_536;
const exactSpanUs = Number.MAX_SAFE_INTEGER / columnsMax - 1;

/**
 * All samples of some channels in order of time, equal times in the order of `channels`; a batch a slice, valid until the next one.
 * `batch.channel` is the place in `channels`. A late sample stands in the slice in which it came.
 */
export function* readingRows(reading: ReadingFile, channels: readonly ReadingChannel[]): Generator<SampleBatch> {
  const batch = new SampleBatch();
  for (const { slice } of reading.slices()) {
    const columns = channels.map(({ id }) => inOrder(reading.samplesOf(slice, id)));
    batch.clear();
    batch.reserve(columns.reduce((sum, column) => sum + (column?.timeUs.length ?? 0), 0));
    for (const key of sortedKeys(columns)) {
      const column = columns[key.column] as Column;
      const i = key.row;
      batch.push(key.column, column.timeUs[i] as number, column.value[i] as number, column.quality[i] as number);
    }
    yield batch;
  }
}

/** The order in which the columns' samples go into one list, by time and then by column. */
function* sortedKeys(columns: (Column | undefined)[]): Generator<{ column: number; row: number }> {
  const baseUs = Math.min(...columns.map((column) => column?.timeUs[0] ?? Number.POSITIVE_INFINITY));
  const count = columns.reduce((sum, column) => sum + (column?.timeUs.length ?? 0), 0);
  const spanUs = Math.max(0, ...columns.map((column) => (column?.timeUs.at(-1) ?? baseUs) - baseUs));
  const next = new Uint32Array(columns.length);
  for (const column of spanUs < exactSpanUs ? keyed(columns, baseUs, count) : keyedFar(columns, baseUs, count)) {
    const row = next[column] as number;
    next[column] = row + 1;
    yield { column, row };
  }
}

/** The column of each sample, in order. Time and column in one number, which sorts fast. */
function* keyed(columns: (Column | undefined)[], baseUs: number, count: number): Generator<number> {
  const keys = new Float64Array(count);
  let at = 0;
  for (const [c, column] of columns.entries()) {
    for (const us of column?.timeUs ?? []) keys[at++] = (us - baseUs) * columnsMax + c;
  }
  for (const key of keys.sort()) yield key % columnsMax;
}

/** The same for a slice over days (a recorded file with a gap in it), whose numbers are too great for a double. */
function* keyedFar(columns: (Column | undefined)[], baseUs: number, count: number): Generator<number> {
  const keys = new BigUint64Array(count);
  let at = 0;
  for (const [c, column] of columns.entries()) {
    for (const us of column?.timeUs ?? []) keys[at++] = BigInt(us - baseUs) * BigInt(columnsMax) + BigInt(c);
  }
  for (const key of keys.sort()) yield Number(key % BigInt(columnsMax));
}

/** The samples in order of time; nearly always they are. */
function inOrder(column: Column | undefined): Column | undefined {
  if (!column) return undefined;
  const { timeUs, value, quality } = column;
  if (timeUs.every((us, i) => i === 0 || us >= (timeUs[i - 1] as number))) return column;
  const order = Array.from(timeUs, (_, i) => i).sort((a, b) => (timeUs[a] as number) - (timeUs[b] as number));
  return {
    timeUs: Float64Array.from(order, (i) => timeUs[i] as number),
    value: Float64Array.from(order, (i) => value[i] as number),
    quality: Uint8Array.from(order, (i) => quality[i] as number),
  };
}

/** What writers of samples need to know of channels; `busNames` are all buses that a channel may come from. */
export function toExportChannels(channels: readonly ReadingChannel[]): { channels: Channel[]; busNames: string[] } {
  const busNames = [...new Set(channels.flatMap(({ about }) => (about.bus === undefined ? [] : [about.bus])))];
  return {
    busNames,
    channels: channels.map(({ name, unit, about }, index) => ({
      index,
      name,
      unit,
      kind: about.kind,
      inputs: [],
      ...(about.bus === undefined ? {} : { bus: busNames.indexOf(about.bus) }),
    })),
  };
}

/**
 * The same as a table with a line at every multiple of `everyUs` and a column a channel: the newest sample at or before that time. A cell
 * is empty where it carries no number or nothing came yet.
 */
export function* wideRows(
  reading: ReadingFile,
  channels: readonly ReadingChannel[],
  everyUs: number,
): Generator<{ timeUs: number; values: (number | null)[] }> {
  const values = new Array<number | null>(channels.length).fill(null);
  let nextUs: number | undefined;
  for (const batch of readingRows(reading, channels)) {
    for (let i = 0; i < batch.count; i++) {
      const timeUs = batch.timeUs[i] as number;
      nextUs ??= Math.ceil(timeUs / everyUs) * everyUs;
      for (; nextUs < timeUs; nextUs += everyUs) yield { timeUs: nextUs, values };
      values[batch.channel[i] as number] = hasValue(batch.quality[i] as number) ? (batch.value[i] as number) : null;
    }
  }
  if (nextUs !== undefined) yield { timeUs: nextUs, values };
}
