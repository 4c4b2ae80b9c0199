// What the main process asks of the worker that judges pulls and holds.
import type { PullsView, StudyView } from '../contract/pulls.ts';
import type { PlainError } from './recorder-messages.ts';

export type DynoQuestion = { ask: number } & ({ kind: 'pulls'; session: number } | { kind: 'study'; sessions: number[] });

export interface DynoAnswer {
  ask: number;
  result?: PullsView | StudyView;
  error?: PlainError;
}
