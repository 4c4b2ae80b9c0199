// Columns of nearly periodic times: each is guessed from the ones before, so that only the jitter is left to store.
import { type ByteReader, type ByteWriter, toSigned, toUnsigned } from './bytes.ts';

/**
 * Follows one series of times. The guess leans an eighth towards what came; after a gap it starts anew. Whole numbers throughout, so
 * that writing and reading agree exactly.
 */
export class TimeGuess {
  private readonly periodUs: number;
  private atUs: number;

  constructor(firstUs: number, periodUs: number) {
    this.atUs = firstUs;
    this.periodUs = periodUs;
  }

  next(): number {
    this.atUs += this.periodUs;
    return this.atUs;
  }

  came(us: number): void {
    const off = us - this.atUs;
    if (Math.abs(off) * 2 > this.periodUs) this.atUs = us;
    else this.atUs += Math.floor(off / 8);
  }
}

/** Several series beside each other: their jitter as one column, which compresses better than many short ones. */
export function writeTimeColumns(out: ByteWriter, series: readonly Float64Array[]): void {
  const jitter = new Float64Array(series.reduce((sum, times) => sum + times.length, 0));
  let count = 0;
  for (const times of series) {
    if (times.length === 0) continue;
    const firstUs = times[0] as number;
    const lastUs = times[times.length - 1] as number;
    const periodUs = times.length > 1 ? Math.max(0, Math.round((lastUs - firstUs) / (times.length - 1))) : 0;
    out.signed(firstUs);
    out.varint(periodUs);
    const guess = new TimeGuess(firstUs, periodUs);
    for (let k = 1; k < times.length; k++) {
      const us = times[k] as number;
      jitter[count++] = toUnsigned(us - guess.next());
      guess.came(us);
    }
  }
  out.planes(jitter, count);
}

/** What `writeTimeColumns` wrote; `counts` are the series' lengths. */
export function readTimeColumns(reader: ByteReader, counts: readonly number[]): Float64Array[] {
  const heads = counts.map((count) =>
    count === 0 ? { firstUs: 0, periodUs: 0 } : { firstUs: reader.signed(), periodUs: reader.varint() },
  );
  const jitterCount = counts.reduce((sum, count) => sum + Math.max(0, count - 1), 0);
  const jitter = new Float64Array(jitterCount);
  reader.planes(jitter, jitterCount);
  let at = 0;
  return counts.map((count, s) => {
    const times = new Float64Array(count);
    if (count === 0) return times;
    const { firstUs, periodUs } = heads[s] as { firstUs: number; periodUs: number };
    const guess = new TimeGuess(firstUs, periodUs);
    times[0] = firstUs;
    for (let k = 1; k < count; k++) {
      const us = guess.next() + toSigned(jitter[at++] as number);
      guess.came(us);
      times[k] = us;
    }
    return times;
  });
}
