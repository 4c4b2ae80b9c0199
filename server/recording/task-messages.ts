// What a worker for long work on sessions is asked, and what it says.
import type { EngineHistoryView } from '../contract/engine-history.ts';
import type { FileLookView } from '../contract/recorded-import.ts';
import type { ReadingsComparison } from '../contract/session-tasks.ts';
import type { DefinitionFile } from '../definitions/vehicle.ts';
import type { ReadingPace } from '../exchange/reading-pace.ts';
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
  /** Makes a session of a recorded file, or takes in a session file; by these definition files. */
  | ({ kind: 'import'; path: string; name: string; files: DefinitionFile[]; nowWallMs: number } & FileSource)
  /** Says what a file is, by its beginning. */
  | ({ kind: 'look'; path: string; files: DefinitionFile[] } & FileSource)
  /** Looks for an undocumented signal; by these definition files. */
  | { kind: 'search'; search: SessionSearch; files: DefinitionFile[] }
  /** All sessions of a vehicle behind each other; by these definition files. */
  | { kind: 'engine-history'; files: DefinitionFile[] };

/** As the options of `evenburn import`. */
interface FileSource {
  bus?: string;
  columns?: string;
}

export interface TaskResults {
  import: { session: number; frames: number; remarks: string[] };
  look: FileLookView;
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
  | { kind: 'progress'; share: number; pace?: ReadingPace }
  | { kind: 'done'; result: TaskResults[keyof TaskResults] }
  | { kind: 'failed'; error: PlainError };

/** The only thing that is said to it: stop, and leave nothing half done behind. */
export type ToTask = { kind: 'cancel' };
