// Compares what an interface counted with what reached the server: the difference is lost, and counted, whoever lost it.
import type { Taken } from './batch-wire.ts';
import { type CountingRule, heardCount, type InterfaceCounters } from './can-interface.ts';

export interface KernelLoss {
  /** Lost by the controller or its driver. */
  adapter: number;
  /** Counted by the interface and never seen by a reader. */
  beforeReader: number;
}

const noLoss: KernelLoss = { adapter: 0, beforeReader: 0 };

/** Polls that a deficit must last with a reader there, which looks at good moments, and without one. */
const pollsWithReader = 2;
const pollsWithout = 4;

/**
 * Keeps the account of one interface.
 *
 * A deficit is what the interface counted, less what was taken. A look knows it between two bounds: frames whose stamps are too close
 * to the moment of the look may have been counted or not (`count-looks.ts`). What is lost for sure is the greatest lower bound:
 *
 *     looks     −3 to 4,  0 to 0 | −2 to 5,  3 to 9 |  5 to 5,  1 to 8 |  5 to 5
 *     greatest                 0 |                3 |                5 |       5
 *     counted                  0 |                0 |                3 |       2      a deficit counts once it lasts two polls
 *
 * Looks come from the reader, and while there is none from the server's own polls. What came between two openings of the same
 * interface is known exactly: a reader tells the counters as it opens.
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
  private hasReader = false;
  private present: Bounds | undefined;
  /** Bounds of the deficit at the last polls, the newest first. */
  private polled: Bounds[] = [];

  constructor(rule: CountingRule) {
    this.rule = rule;
  }

  /** The rule is learned from `ip` a little after the start. Whatever was counted by then stays, and the account goes on from there. */
  setRule(rule: CountingRule): void {
    if (rule.receivedHoldsSent === this.rule.receivedHoldsSent && rule.countsErrors === this.rule.countsErrors) return;
    this.rule = rule;
    this.beginsAgain = true;
    this.forgetLooks();
  }

  get isOpen(): boolean {
    return this.index >= 0;
  }

  /**
   * A reader has opened the interface, whose counters were these just before; `taken` is what it had taken by then.
   *
   * The first time, the account begins with the counters. With the same interface opened again the account goes on, so that what came
   * while there was no reader is lost; a new interface of this name counts from zero.
   */
  opened(index: number, counters: InterfaceCounters, taken: Taken): KernelLoss {
    const isFirst = this.index < 0;
    const isSame = index === this.index;
    const rest = isFirst ? noLoss : { adapter: 0, beforeReader: this.count(isSame ? this.deficit(counters, taken) : this.lastKnown()) };
    this.hasReader = true;
    this.forgetLooks();
    if (isSame) return rest;
    this.index = index;
    this.base = isFirst ? heardCount(counters, this.rule) : 0;
    this.takenBefore = -this.takenOf(taken);
    this.counted = 0;
    this.baseOverruns = isFirst ? counters.overruns : 0;
    this.baseDropped = isFirst ? counters.dropped : 0;
    this.droppedBefore = this.baseDropped;
    this.droppedLast = this.baseDropped;
    this.adapterCounted = 0;
    if (isFirst) return rest;
    const early = this.count(this.deficit(counters, taken));
    return { adapter: 0, beforeReader: rest.beforeReader + early };
  }

  /** One look: counters, and what the present reader has taken of them, at most and for sure. */
  look(counters: { received: number; sent: number }, most: Taken, sure: Taken = most): void {
    if (!this.isOpen) return;
    const lost = this.deficit(counters, most);
    const open = this.deficit(counters, sure);
    if (this.beginsAgain) {
      this.beginsAgain = false;
      this.base += open;
      return;
    }
    const { atLeast, atMost } = this.present ?? { atLeast: lost, atMost: open };
    this.present = { atLeast: Math.max(atLeast, lost), atMost: Math.max(atMost, open) };
  }

  /** A reader has ended, having taken this much in all. */
  readerEnded(taken: Taken): void {
    this.takenBefore += this.takenOf(taken);
    this.hasReader = false;
    this.forgetLooks();
  }

  /** Closes the time since the last poll; returns what is newly known to be lost. */
  poll(counters: InterfaceCounters): KernelLoss {
    if (!this.isOpen) return noLoss;
    // Without a look nothing is known of this time.
    if (!this.present) return { adapter: this.adapterLoss(counters, false), beforeReader: 0 };
    const polls = this.hasReader ? pollsWithReader : pollsWithout;
    this.polled = [this.present, ...this.polled].slice(0, polls);
    this.present = undefined;
    if (this.polled.length < polls) return { adapter: this.adapterLoss(counters, false), beforeReader: 0 };
    // More was taken than counted, and it lasts: echoes of this computer's own frames that no counter holds. They must hide no loss.
    const surplus = Math.min(0, Math.max(...this.polled.map(({ atMost }) => atMost)));
    this.base += surplus;
    const lost = this.count(Math.min(...this.polled.map(({ atLeast }) => atLeast)) - surplus);
    this.polled = this.polled.map(({ atLeast, atMost }) => ({ atLeast: atLeast - surplus - lost, atMost: atMost - surplus - lost }));
    return { adapter: this.adapterLoss(counters, true), beforeReader: lost };
  }

  /**
   * The source stops: what is missing at the last look counts at once, since none comes that could tell more.
   *
   * @param counters As they are now; undefined: the interface is gone.
   */
  close(counters: InterfaceCounters | undefined): KernelLoss {
    if (!this.isOpen) return noLoss;
    const beforeReader = this.count(this.lastKnown());
    this.forgetLooks();
    if (!counters) return { adapter: 0, beforeReader };
    this.droppedBefore = counters.dropped;
    return { adapter: this.adapterLoss(counters, true), beforeReader };
  }

  private count(deficit: number): number {
    const lost = Math.max(0, deficit);
    this.counted += lost;
    return lost;
  }

  private deficit(counters: { received: number; sent: number }, taken: Taken): number {
    return heardCount(counters, this.rule) - this.base - this.takenBefore - this.takenOf(taken) - this.counted;
  }

  /** No more is heard of the interface: what was missing at the last looks stays missing. */
  private lastKnown(): number {
    return Math.max(0, this.present?.atLeast ?? 0, this.polled[0]?.atLeast ?? 0);
  }

  private forgetLooks(): void {
    this.present = undefined;
    this.polled = [];
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

  private takenOf(taken: Taken): number {
    return taken.dataTaken + (this.rule.countsErrors ? taken.errorsTaken : 0);
  }
}

interface Bounds {
  atLeast: number;
  atMost: number;
}
