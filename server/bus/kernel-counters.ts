// Compares what an interface counted with what reached the server: the difference is lost, and counted, whoever lost it.
import { type CountingRule, heardCount, type InterfaceCounters } from './can-interface.ts';

export interface KernelLoss {
  /** Lost by the controller or its driver. */
  adapter: number;
  /** Counted by the interface and never seen by a reader. */
  beforeReader: number;
}

const noLoss: KernelLoss = { adapter: 0, beforeReader: 0 };

/**
 * Keeps the account of one interface.
 *
 * A deficit is what the interface counted, less what was taken. Frames on their way make it too large for a moment, so each look gives
 * an upper bound of what is really lost, and the least bound between two polls is the one to believe:
 *
 *     looks      20  7  0 | 3  0  12 | 5  5  9 | 14  5  6 |        (a full bus, then 5 frames lost)
 *     least             0 |        0 |       5 |        5 |
 *     counted           0          0         0          5          a deficit counts once it lasts two polls
 *
 * Looks come from the reader, which knows when it had taken all there was, and from the server's own polls, which go on
 * while there is no reader.
 */
export class LossAccount {
  private rule: CountingRule;
  private index = -1;
  private base = 0;
  private baseOverruns = 0;
  private baseDropped = 0;
  private droppedBefore = 0;
  private droppedLast = 0;
  private adapterCounted = 0;
  /** Taken by earlier reader processes, by this rule. */
  private takenBefore = 0;
  private counted = 0;
  private beginsAgain = false;
  private least: number | undefined;
  private leastBefore: number | undefined;

  constructor(rule: CountingRule) {
    this.rule = rule;
  }

  /** The rule is learned from `ip` a little after the start. Whatever was counted by then stays, and the account goes on from there. */
  setRule(rule: CountingRule): void {
    if (rule.receivedHoldsSent === this.rule.receivedHoldsSent && rule.countsErrors === this.rule.countsErrors) return;
    this.rule = rule;
    this.beginsAgain = true;
  }

  get isOpen(): boolean {
    return this.index >= 0;
  }

  /**
   * A reader has opened the interface. The first time, the account begins with its counters; with the same interface opened again the
   * account goes on, so that what came while there was no reader is lost; a new interface of this name counts from zero.
   */
  opened(index: number, counters: InterfaceCounters): KernelLoss {
    if (index === this.index) return noLoss;
    const isFirst = this.index < 0;
    const rest = isFirst ? noLoss : this.settle();
    this.index = index;
    this.base = isFirst ? heardCount(counters, this.rule) : 0;
    this.baseOverruns = isFirst ? counters.overruns : 0;
    this.baseDropped = isFirst ? counters.dropped : 0;
    this.droppedBefore = this.baseDropped;
    this.droppedLast = this.baseDropped;
    this.adapterCounted = 0;
    this.takenBefore = 0;
    this.counted = 0;
    return rest;
  }

  /** One look: counters, and what had been taken of them since the account began. */
  look(counters: { received: number; sent: number }, taken: { dataTaken: number; errorsTaken: number }): void {
    if (!this.isOpen) return;
    const deficit = heardCount(counters, this.rule) - this.base - this.takenBefore - this.takenOf(taken) - this.counted;
    if (this.beginsAgain) {
      this.beginsAgain = false;
      this.base += deficit;
      return;
    }
    this.least = this.least === undefined ? deficit : Math.min(this.least, deficit);
  }

  /** A reader has ended, having taken this much in all. */
  readerEnded(taken: { dataTaken: number; errorsTaken: number }): void {
    this.takenBefore += this.takenOf(taken);
    this.least = undefined;
    this.leastBefore = undefined;
  }

  /** Closes the time since the last poll; returns what is newly known to be lost. */
  poll(counters: InterfaceCounters): KernelLoss {
    if (!this.isOpen) return noLoss;
    const least = this.least;
    const before = this.leastBefore;
    this.least = undefined;
    this.leastBefore = least;
    let lost = 0;
    if (least !== undefined && before !== undefined) {
      lost = Math.max(0, Math.min(least, before));
      // More was taken than counted, and it lasts: echoes of this computer's own frames that no counter holds. They must hide no loss.
      if (least < 0 && before < 0) this.base += Math.max(least, before);
    }
    this.counted += lost;
    if (this.leastBefore !== undefined) this.leastBefore -= lost;
    return { adapter: this.adapterLoss(counters, least !== undefined && before !== undefined), beforeReader: lost };
  }

  /** The interface is gone: what was missing at the last look stays missing. */
  private settle(): KernelLoss {
    const open = [this.least, this.leastBefore].filter((each) => each !== undefined);
    const lost = open.length === 0 ? 0 : Math.max(0, Math.min(...open));
    this.least = undefined;
    this.leastBefore = undefined;
    return { adapter: 0, beforeReader: lost };
  }

  private adapterLoss(counters: InterfaceCounters, isSettled: boolean): number {
    const overruns = Math.max(0, counters.overruns - this.baseOverruns);
    // A dropped frame may have been counted as received before (by the network stack) or not (by the driver): no more than once,
    // so the deficit of its time must be known first.
    const dropped = isSettled ? Math.max(0, this.droppedBefore - this.baseDropped - this.counted) : 0;
    if (isSettled) {
      this.droppedBefore = this.droppedLast;
      this.droppedLast = counters.dropped;
    }
    const news = Math.max(0, overruns + dropped - this.adapterCounted);
    this.adapterCounted += news;
    return news;
  }

  private takenOf(taken: { dataTaken: number; errorsTaken: number }): number {
    return taken.dataTaken + (this.rule.countsErrors ? taken.errorsTaken : 0);
  }
}
