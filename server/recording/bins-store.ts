// Stores the pyramid of a reading: for each block of slices and each channel its bins, fine and coarse, made from the stored samples.
import { BinBuilder, type Bins, binWidthsUs, encodeBins } from './bins.ts';
import { type Column, decodeChunk, decodeTimes } from './chunk.ts';
import type { Connection } from './database.ts';
import { knownChannels } from './reading-channels.ts';
import { packKey, sliceOfKey } from './schema.ts';

/** Slices whose bins are stored together: some ten minutes. */
export const slicesPerBlock = 64;

/** Key of the bins of one channel, level and block. */
export function binsKey(reading: number, block: number, channel: number, level: number): number {
  return packKey(reading, block, channel * binWidthsUs.length + level);
}

/** Reads the samples of single channels and slices. Times that channels share are decoded once. */
export class ChunkReader {
  private readonly chunkAt;
  private readonly timesAt;
  private readonly reading: number;
  private readonly times = new Map<number, Float64Array>();

  constructor(db: Connection, reading: number) {
    this.reading = reading;
    this.chunkAt = db.prepare('SELECT data FROM chunk WHERE key = ?').pluck();
    this.timesAt = db.prepare('SELECT data FROM times WHERE key = ?').pluck();
  }

  /** Undefined when the channel has no sample in the slice. @throws Error when what is stored is damaged. */
  read(slice: number, channel: number): Column | undefined {
    const blob = this.chunkAt.get(packKey(this.reading, slice, channel)) as Buffer | undefined;
    return blob && decodeChunk(blob, (group) => this.timesOf(packKey(this.reading, slice, group)));
  }

  private timesOf(key: number): Float64Array {
    let times = this.times.get(key);
    if (!times) {
      const blob = this.timesAt.get(key) as Buffer | undefined;
      if (!blob) throw new RangeError('the times of a chunk are not there');
      times = decodeTimes(blob);
      this.times.set(key, times);
    }
    return times;
  }
}

/** The bins of one channel over slices `from` up to, not including, `to`: fine and coarse. */
export function binsOfSlices(chunks: ChunkReader, channel: number, from: number, to: number): Bins[] {
  const fine = new BinBuilder(binWidthsUs[0]);
  for (let slice = from; slice < to; slice++) {
    const column = chunks.read(slice, channel);
    if (column) fine.addColumn(column);
  }
  return allLevels(fine.taken());
}

function allLevels(fine: Bins): Bins[] {
  const coarser = binWidthsUs.slice(1).map((widthUs) => {
    const coarse = new BinBuilder(widthUs);
    coarse.addBins(fine, binWidthsUs[0]);
    return coarse.taken();
  });
  return [fine, ...coarser];
}

/**
 * Writes the bins of the block that begins at slice `from` (a multiple of `slicesPerBlock`) and holds slices up to `to`. Gives way to
 * other work of this thread between channels.
 *
 * @param gathered Fine bins by channel, where they were gathered while the block grew; without, they are made of the stored samples.
 */
export async function writeBins(
  db: Connection,
  reading: number,
  from: number,
  to: number,
  gathered?: ReadonlyMap<number, BinBuilder>,
): Promise<void> {
  const block = Math.floor(from / slicesPerBlock);
  const chunks = new ChunkReader(db, reading);
  const rows: { key: number; data: Uint8Array }[] = [];
  for (const { id, about } of knownChannels(db, reading)) {
    const fine = gathered?.get(id)?.taken();
    const levels = gathered ? (fine ? allLevels(fine) : []) : binsOfSlices(chunks, id, from, to);
    for (const [level, bins] of levels.entries()) {
      if (bins.index.length > 0) rows.push({ key: binsKey(reading, block, id, level), data: encodeBins(bins, about.scale) });
    }
    await new Promise(setImmediate);
  }
  db.transaction(() => {
    const insert = db.prepare('INSERT OR REPLACE INTO bins (key, data) VALUES (?, ?)');
    for (const { key, data } of rows) insert.run(key, data);
  }).immediate();
}

/** Blocks of a reading whose bins are stored. */
export function storedBlocks(db: Connection, reading: number): Set<number> {
  const rows = db
    .prepare('SELECT DISTINCT key / 65536 AS block FROM bins WHERE key >= ? AND key < ?')
    .all(packKey(reading, 0, 0), packKey(reading + 1, 0, 0)) as { block: number }[];
  return new Set(rows.map(({ block }) => sliceOfKey(block)));
}
