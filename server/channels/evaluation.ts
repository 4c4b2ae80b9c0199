// What a formula's closures share while they run: the worst quality met so far, and how qualities combine.
import type { ChannelTable } from './channel-table.ts';
import { type QualityCode, quality } from './quality.ts';

/**
 * Qualities inside a formula: those of channels, and between them 'no result' (division by zero), which ranks below any reason that an
 * input brings along. Up to `outOfRange` there is a number; above, the number is meaningless and the part is unknown.
 */
export const worth = { ok: 0, outOfRange: 1, noResult: 2, fault: 3, missing: 4, stale: 5 } as const;

const qualityOf: readonly QualityCode[] = [quality.ok, quality.outOfRange, quality.missing, quality.fault, quality.missing, quality.stale];

/** Shared by all formulas of a pipeline; each evaluation starts by setting `worst` to 0. */
export class Evaluation {
  worst = 0;
  /** The instant. */
  timeUs = 0;
  readonly table: ChannelTable;

  constructor(table: ChannelTable) {
    this.table = table;
  }

  /** Quality of the evaluation that just ended. */
  get quality(): QualityCode {
    return qualityOf[this.worst] as QualityCode;
  }

  /** Notes a channel's quality that isn't `ok`. */
  note(channelQuality: number): void {
    const now = channelQuality <= quality.outOfRange ? channelQuality : channelQuality + 1;
    if (now > this.worst) this.worst = now;
  }

  /** There is no result here, unless an input is bad anyway. */
  noResult(): number {
    if (this.worst < worth.noResult) this.worst = worth.noResult;
    return 0;
  }

  /** A number that must be one: what overflows or isn't defined has no result. */
  finite(value: number): number {
    return value - value === 0 ? value : this.noResult();
  }
}

/** A compiled part: gives a number (conditions: 1 true, 0 false) and worsens `Evaluation.worst` where it must. */
export type Evaluate = () => number;

/** State of a stateful function. `save` gives plain JSON that `restore` takes back bit for bit. */
export interface Memory {
  reset(): void;
  save(): unknown;
  restore(saved: unknown): void;
}
