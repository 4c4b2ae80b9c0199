// The one place that maps the name of a worker or child process to its module, and so to its built file.
import { join } from 'node:path';
import { projectRoot } from './project-root.ts';

/** Modules below `server`, without their ending. */
export const entries = {
  reader: 'bus/reader-process',
  recorder: 'recording/recorder-worker',
  history: 'recording/history-worker',
  task: 'recording/task-worker',
  definitions: 'definitions/definitions-worker',
  checks: 'live/check-worker',
  dyno: 'recording/dyno-worker',
  editor: 'editing/editor-worker',
} as const;

export type EntryName = keyof typeof entries;

/** Absolute path of the built entry, the same for the bundled program, for a built module and (in tests) for a source. */
export function entryPath(name: EntryName): string {
  return join(projectRoot, 'dist', 'program', `${entries[name]}.js`);
}
