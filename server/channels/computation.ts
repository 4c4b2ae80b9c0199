// One derived channel's work: from the table as it stands to a value with its quality.
import type { QualityCode } from './quality.ts';

/** Formulas and built-in channels alike. `evaluate` leaves its result in `value` and `quality`. */
export interface Computation {
  /** Indices of the channels that it looks at. */
  inputs: readonly number[];
  evaluate(): void;
  value: number;
  quality: QualityCode;
  /** What outlives an evaluation, as JSON. */
  save(): unknown[];
  restore(saved: readonly unknown[]): void;
}
