// What the main process asks of the worker that judges pulls and holds.
import type { Series } from '../channels/series.ts';
import type { CompareQuery, PullsView, PullView, SetComparisonView, StudyView, TrialView } from '../contract/pulls.ts';
import type { FigureView } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { PlainError } from './recorder-messages.ts';

/** What has just been driven: samples of the channels that judge a pull, in plain columns. */
export interface DrivenWindow {
  vehicle: Vehicle;
  /** The session that is recorded meanwhile: what was typed about its air counts. */
  session: number | null;
  startUs: number;
  endUs: number;
  series: Series[];
}

export interface DynoAnswers {
  pulls: PullsView;
  study: StudyView;
  compare: SetComparisonView;
  trials: TrialView[];
  window: PullView[];
  figure: FigureView;
}

export type DynoQuestion = { ask: number } & (
  | { kind: 'pulls'; session: number }
  | { kind: 'study'; sessions: number[] }
  | { kind: 'compare'; query: CompareQuery }
  | { kind: 'trials'; vehicle: string }
  | { kind: 'window'; window: DrivenWindow }
  | { kind: 'figure'; of: string }
);

export interface DynoAnswer {
  ask: number;
  result?: DynoAnswers[keyof DynoAnswers];
  error?: PlainError;
}
