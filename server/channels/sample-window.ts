// The samples of the last seconds of one part of a formula, with what is computed from them: slope and greatest value.
import type { Memory } from './evaluation.ts';
import { fromPlain, toPlain } from './plain-numbers.ts';

/** Samples (time, value) not older than `windowUs` before the newest; a ring that grows. */
export class SampleWindow implements Memory {
  private readonly windowUs: number;
  private timeUs = new Float64Array(16);
  private value = new Float64Array(16);
  private first = 0;
  private count = 0;

  constructor(windowS: number) {
    this.windowUs = windowS * 1e6;
  }

  reset(): void {
    this.first = 0;
    this.count = 0;
  }

  /** Takes a sample; one of the same time replaces the last, one of an earlier time (a late frame) is passed over. */
  add(timeUs: number, value: number): void {
    const mask = this.timeUs.length - 1;
    if (this.count > 0) {
      const last = (this.first + this.count - 1) & mask;
      const lastUs = this.timeUs[last] as number;
      if (timeUs < lastUs) return;
      if (timeUs === lastUs) {
        this.value[last] = value;
        return;
      }
    }
    while (this.count > 0 && (this.timeUs[this.first] as number) < timeUs - this.windowUs) {
      this.first = (this.first + 1) & mask;
      this.count--;
    }
    if (this.count > mask) this.grow();
    const at = (this.first + this.count++) & (this.timeUs.length - 1);
    this.timeUs[at] = timeUs;
    this.value[at] = value;
  }

  /**
   * Least-squares slope per second, or undefined while the samples span less than half of the window.
   * Worked: (0 s, 1), (1 s, 3), (2 s, 5) is 2 a second.
   */
  slope(): number | undefined {
    const fit = this.fit();
    return fit?.slope;
  }

  /** Slope per second with its standard error (0 with two samples, which can't tell). Same condition as `slope`. */
  fit(): { slope: number; standardError: number } | undefined {
    const { first, count, timeUs, value } = this;
    if (count < 2) return undefined;
    const mask = timeUs.length - 1;
    const newestUs = timeUs[(first + count - 1) & mask] as number;
    if (newestUs - (timeUs[first] as number) < this.windowUs / 2) return undefined;
    let sumT = 0;
    let sumV = 0;
    for (let i = 0; i < count; i++) {
      sumT += (timeUs[(first + i) & mask] as number) - newestUs;
      sumV += value[(first + i) & mask] as number;
    }
    const meanT = sumT / count;
    const meanV = sumV / count;
    let tt = 0;
    let tv = 0;
    let vv = 0;
    for (let i = 0; i < count; i++) {
      const t = (timeUs[(first + i) & mask] as number) - newestUs - meanT;
      const v = (value[(first + i) & mask] as number) - meanV;
      tt += t * t;
      tv += t * v;
      vv += v * v;
    }
    const residual = Math.max(0, vv - (tv * tv) / tt);
    const standardError = count > 2 ? Math.sqrt(residual / (count - 2) / tt) * 1e6 : 0;
    return { slope: (tv / tt) * 1e6, standardError };
  }

  /** Greatest value held; the window is never empty after `add`. */
  greatest(): number {
    const mask = this.timeUs.length - 1;
    let best = Number.NEGATIVE_INFINITY;
    for (let i = 0; i < this.count; i++) {
      const v = this.value[(this.first + i) & mask] as number;
      if (v > best) best = v;
    }
    return best;
  }

  save(): unknown {
    const mask = this.timeUs.length - 1;
    const order = Array.from({ length: this.count }, (_, i) => (this.first + i) & mask);
    return [toPlain(order.map((i) => this.timeUs[i] as number)), toPlain(order.map((i) => this.value[i] as number))];
  }

  restore(saved: unknown): void {
    const [times, values] = (saved as [unknown, unknown]).map(fromPlain) as [number[], number[]];
    this.reset();
    while (this.timeUs.length < times.length) this.grow();
    this.timeUs.set(times);
    this.value.set(values);
    this.count = times.length;
  }

  private grow(): void {
    const { first, count } = this;
    const mask = this.timeUs.length - 1;
    const timeUs = new Float64Array(this.timeUs.length * 2);
    const value = new Float64Array(this.timeUs.length * 2);
    for (let i = 0; i < count; i++) {
      timeUs[i] = this.timeUs[(first + i) & mask] as number;
      value[i] = this.value[(first + i) & mask] as number;
    }
    this.timeUs = timeUs;
    this.value = value;
    this.first = 0;
  }
}
