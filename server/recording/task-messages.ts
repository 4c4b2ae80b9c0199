// What a worker for long work on sessions is asked, and what it says.
import type { EngineHistoryView } from '../contract/engine-history.ts';
import type { ReadingsComparison } from '../contract/session-tasks.ts';
import type { DefinitionFile } from '../definitions/vehicle.ts';
import type { ExportOptions } from './export-session.ts';
import type { PlainError } from './recorder-messages.ts';
import type { SearchResult, SessionSearch } from './search-session.ts';

/** One piece of work; the worker ends with it. */
export type Task =
  /** Reads a session again by these definition files. */
  | { kind: 'reread'; session: number; files: DefinitionFile[]; nowWallMs: number; use: boolean }
  | { kind: 'compare'; session: number; reading: number; against: number }
  | { kind: 'report'; session: number; reading: number | undefined; nowWallMs: number }
  | { kind: 'export'; session: number; options: ExportOptions }
  /** Looks for an undocumented signal; by these definition files. */
  | { kind: 'search'; search: SessionSearch; files: DefinitionFile[] }
  /** All sessions of a vehicle behind each other; by these definition files. */
  | { kind: 'engine-history'; files: DefinitionFile[] };

export interface TaskResults {
  reread: { reading: number; comparison: ReadingsComparison };
  compare: ReadingsComparison;
  report: string;
  export: { count: number; what: string };
  search: SearchResult;
  'engine-history': EngineHistoryView;
}

export interface TaskWork {
  data: string;
  task: Task;
}

export type FromTask =
  | { kind: 'progress'; share: number }
  | { kind: 'done'; result: TaskResults[keyof TaskResults] }
  | { kind: 'failed'; error: PlainError };

/** The only thing that is said to it: stop, and leave nothing half done behind. */
export type ToTask = { kind: 'cancel' };
