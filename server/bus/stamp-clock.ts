// Turns wall-clock stamps of the kernel into session time, and stays right when the wall clock is set or slewed.
import type { Clock, SessionClock } from '../clock.ts';

/** NTP slews by at most 500 parts in a million (adjtimex(2)). */
const slewMax = 0.0005;
/** Below this, a change of offset is measuring noise and not a step of the clock. */
const stepMinUs = 100;

/**
 * Session time of a frame: monotonic now less the age that the kernel's stamp shows, clamped between the bus's last frame and now.
 *
 * The age needs wall time to the microsecond, and JavaScript gives it in whole milliseconds. So the offset wall − monotonic is kept
 * as an interval: each look at both clocks bounds it to 1 ms, and looks at different phases narrow it to some tens of microseconds:
 *
 *     wall ms read w, monotonic read m    →  offset in [1000 w − m, 1000 w + 1000 − m)
 *     stamp s of a frame read by m        →  offset at least s − m
 *
 * An empty intersection is a step of the wall clock. Frames stamped before a step are then still read by the old offset.
 */
export class StampClock {
  /** How often the wall clock was set so far. */
  steps = 0;
  private readonly clock: Clock;
  private readonly startUs: number;
  private lowUs = 0;
  private highUs = 0;
  private lookedUs = 0;
  private beforeStepUs: number | undefined;
  private lastUs = 0;

  constructor(clock: Clock, session: SessionClock) {
    this.clock = clock;
    this.startUs = session.startUs;
    this.watchTick();
  }

  /** Session time now. */
  nowUs(): number {
    return this.clock.monotonicUs() - this.startUs;
  }

  /** Looks at both clocks; call it at every flush. */
  look(): void {
    const w = this.clock.wallMs() * 1000;
    const m = this.clock.monotonicUs();
    this.narrow(w - m, w + 1000 - m, m);
  }

  /**
   * Session time of a frame stamped `stampUs` (wall clock, microseconds since 1970) that has just been read.
   * Never before an earlier result, never before `floorUs` (the bus's last frame), never after now.
   */
  toSessionUs(stampUs: number, floorUs: number): number {
    const m = this.clock.monotonicUs();
    const now = m - this.startUs;
    const floor = Math.max(this.lastUs, floorUs);
    let time = Math.round(stampUs - this.offsetUs() - this.startUs);
    if (time > now || time < floor) time = this.secondOpinion(stampUs, time, floor, now);
    this.lastUs = Math.max(floor, Math.min(time, now));
    return this.lastUs;
  }

  /** Session time that a stamp says, however late it comes: for telling which frames an old count held. */
  plainSessionUs(stampUs: number): number {
    return Math.round(stampUs - this.offsetUs() - this.startUs);
  }

  private secondOpinion(stampUs: number, time: number, floor: number, now: number): number {
    // Stamp and look race with a step of the clock: the offset of the other side of it may be the right one.
    if (this.beforeStepUs !== undefined) {
      const other = Math.round(stampUs - this.beforeStepUs - this.startUs);
      if (other >= floor && other <= now) return other;
    }
    this.look();
    const again = Math.round(stampUs - this.offsetUs() - this.startUs);
    return again >= floor && again <= now ? again : time;
  }

  private offsetUs(): number {
    return (this.lowUs + this.highUs) / 2;
  }

  private narrow(low: number, high: number, m: number): void {
    const drift = Math.max(0, m - this.lookedUs) * slewMax;
    this.lookedUs = m;
    const lowest = Math.max(low, this.lowUs - drift);
    const highest = Math.min(high, this.highUs + drift);
    if (lowest <= highest + stepMinUs) {
      this.lowUs = Math.min(lowest, highest);
      this.highUs = Math.max(lowest, highest);
      return;
    }
    this.steps++;
    this.beforeStepUs = this.offsetUs();
    this.watchTick();
  }

  /** Waits for the wall clock's next millisecond, at most a little over one: the offset is then known to microseconds. */
  private watchTick(): void {
    const first = this.clock.wallMs();
    const began = this.clock.monotonicUs();
    for (;;) {
      const before = this.clock.monotonicUs();
      const w = this.clock.wallMs();
      const m = this.clock.monotonicUs();
      const ticked = w !== first;
      if (!ticked && m - began < 2000) continue;
      this.lowUs = w * 1000 - m;
      this.highUs = ticked && w === first + 1 ? w * 1000 - before + 1 : w * 1000 + 1000 - m;
      this.lookedUs = m;
      return;
    }
  }
}
