// The bins of one rolling plot as this page holds them: filled by live packets, its holes fetched, turned into points to draw.
import { binHeld, binNone, type PlotBins } from '../../server/contract/packet.ts';
import type { WindowView } from '../../server/contract/window.ts';
import type { Point } from '../plots/chart.ts';

/** Quality of a bin that never came: to be fetched. Beside the codes of the contract (0 to 6). */
const binHole = 255;
const lastWithNumber = 1;

/** Bins [from, to): numbers of bins, `widthUs` each. */
export interface Hole {
  from: number;
  to: number;
}

/** A ring of bins for a fixed list of channels. Bin n covers session time [n × widthUs, (n + 1) × widthUs). */
export class RollingBins {
  readonly channels: readonly number[];
  readonly widthUs: number;
  private readonly size: number;
  /** Bin behind the newest one; 0 while empty. */
  private end = 0;
  private begin = 0;
  private readonly low: Float64Array[];
  private readonly high: Float64Array[];
  private readonly quality: Uint8Array[];

  /** Keeps at least `spanUs` of bins, and some more so that the left edge of a plot is whole. */
  constructor(channels: readonly number[], widthUs: number, spanUs: number) {
    this.channels = channels;
    this.widthUs = widthUs;
    this.size = Math.ceil(spanUs / widthUs) + 8;
    this.low = channels.map(() => new Float64Array(this.size));
    this.high = channels.map(() => new Float64Array(this.size));
    this.quality = channels.map(() => new Uint8Array(this.size).fill(binHole));
  }

  /** First bin held and the one behind the last. */
  range(): Hole {
    return { from: this.begin, to: this.end };
  }

  /** Takes new and changed bins; what a packet says replaces what was known. */
  applyPacket(bins: PlotBins): void {
    this.advance(bins.first, bins.first + bins.count);
    for (const trace of bins.traces) {
      const k = this.channels.indexOf(trace.channel);
      if (k < 0) continue;
      for (let i = 0; i < bins.count; i++) {
        this.put(k, bins.first + i, trace.low[i] as number, trace.high[i] as number, trace.quality[i] as number);
      }
    }
  }

  /** Takes a fetched stretch whole; what it says replaces what was known. */
  applyWindow(window: WindowView): void {
    this.advance(window.first, window.first + window.count);
    for (const trace of window.traces) {
      const k = this.channels.indexOf(trace.index);
      if (k < 0) continue;
      for (let i = 0; i < window.count; i++) {
        const bin = window.first + i;
        if (bin >= this.begin) this.put(k, bin, ...toExtremes(trace, i));
      }
    }
  }

  /** Takes a fetched stretch where bins are still missing; a bin that a packet gave stays, since it may be newer. */
  fillHoles(window: WindowView): void {
    for (const trace of window.traces) {
      const k = this.channels.indexOf(trace.index);
      if (k < 0) continue;
      const quality = this.quality[k] as Uint8Array;
      for (let i = 0; i < window.count; i++) {
        const bin = window.first + i;
        if (bin < this.begin || bin >= this.end || quality[bin % this.size] !== binHole) continue;
        this.put(k, bin, ...toExtremes(trace, i));
      }
    }
  }

  /** The newest bin was still growing when it came, and packets were missed since: it is to be fetched. */
  distrustNewest(): void {
    if (this.end === 0) return;
    for (const quality of this.quality) quality[(this.end - 1) % this.size] = binHole;
  }

  /** Stretches of bins that no packet and no fetch gave, oldest first. */
  holes(): Hole[] {
    const quality = this.quality[0];
    const holes: Hole[] = [];
    if (!quality) return holes;
    for (let bin = this.begin; bin < this.end; bin++) {
      if (quality[bin % this.size] !== binHole) continue;
      const last = holes.at(-1);
      if (last?.to === bin) last.to++;
      else holes.push({ from: bin, to: bin + 1 });
    }
    return holes;
  }

  /** Nothing is known of these bins and nothing can be fetched: they are drawn as a gap and not asked for again. */
  giveUp(hole: Hole): void {
    for (let k = 0; k < this.channels.length; k++) {
      const quality = this.quality[k] as Uint8Array;
      for (let bin = Math.max(hole.from, this.begin); bin < Math.min(hole.to, this.end); bin++) {
        if (quality[bin % this.size] === binHole) this.put(k, bin, Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY, binNone);
      }
    }
  }

  /**
   * Writes trace k's points into `points` (reused from call to call): each bin's lowest and highest value at the bin's middle, one point where
   * they are equal, NaN where the line is broken. x is in seconds of session time less `zeroUs`.
   * @returns Lowest and highest value among the points; undefined when there is none.
   */
  toPoints(k: number, from: number, to: number, zeroUs: number, points: Point[]): { low: number; high: number } | undefined {
    const quality = this.quality[k] as Uint8Array;
    const lows = this.low[k] as Float64Array;
    const highs = this.high[k] as Float64Array;
    let n = 0;
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    let last = Number.NaN;
    let held = false;
    const x = (bin: number) => ((bin + 0.5) * this.widthUs - zeroUs) / 1e6;
    for (let bin = Math.max(from, this.begin); bin < Math.min(to, this.end); bin++) {
      const at = bin % this.size;
      const q = quality[at] as number;
      if (q === binHeld) {
        held = true;
        continue;
      }
      const lowest = lows[at] as number;
      const highest = highs[at] as number;
      if (q > lastWithNumber || !(lowest <= highest)) {
        if (n > 0 && !Number.isNaN(last)) n = put(points, n, x(bin), Number.NaN);
        last = Number.NaN;
        held = false;
        continue;
      }
      // The nearer end first, so that the line doesn't cross the bin twice.
      const lowFirst = !(Math.abs(last - highest) < Math.abs(last - lowest));
      n = put(points, n, x(bin), lowFirst ? lowest : highest);
      if (lowest !== highest) n = put(points, n, x(bin), lowFirst ? highest : lowest);
      last = lowFirst ? highest : lowest;
      held = false;
      if (lowest < low) low = lowest;
      if (highest > high) high = highest;
    }
    // A value that still holds is drawn up to the newest bin.
    if (held && !Number.isNaN(last)) n = put(points, n, x(Math.min(to, this.end) - 1), last);
    points.length = n;
    return low <= high ? { low, high } : undefined;
  }

  private put(k: number, bin: number, low: number, high: number, quality: number): void {
    const at = bin % this.size;
    (this.low[k] as Float64Array)[at] = low;
    (this.high[k] as Float64Array)[at] = high;
    (this.quality[k] as Uint8Array)[at] = quality;
  }

  /** Makes room up to `end`; what is skipped becomes a hole, what is too old is forgotten. */
  private advance(first: number, end: number): void {
    if (this.end === 0) {
      this.end = first;
      this.begin = Math.max(0, end - this.size);
    }
    if (end <= this.end) return;
    if (first > this.end) this.distrustNewest();
    const clearFrom = Math.max(this.end, end - this.size);
    for (let bin = clearFrom; bin < end; bin++) for (const quality of this.quality) quality[bin % this.size] = binHole;
    this.end = end;
    this.begin = Math.max(this.begin, end - this.size);
  }
}

/** Low, high and quality of a fetched bin; low above high says that it has no number. */
function toExtremes({ low, high, quality }: WindowView['traces'][number], i: number): [low: number, high: number, quality: number] {
  return [low[i] ?? Number.POSITIVE_INFINITY, high[i] ?? Number.NEGATIVE_INFINITY, quality[i] ?? binNone];
}

function put(points: Point[], n: number, x: number, y: number): number {
  const point = points[n];
  if (point) {
    point.x = x;
    point.y = y;
  } else {
    points.push({ x, y });
  }
  return n + 1;
}
