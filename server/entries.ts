// The one place that maps the name of a worker or child process to its built file.

import { dirname, join, sep } from 'node:path';
import { fileURLToPath } from 'node:url';

const entries = {
  reader: 'bus/reader-process.js',
  recorder: 'recording/recorder-worker.js',
  history: 'recording/history-worker.js',
  task: 'recording/task-worker.js',
  definitions: 'definitions/definitions-worker.js',
  checks: 'live/check-worker.js',
  dyno: 'recording/dyno-worker.js',
  editor: 'editing/editor-worker.js',
} as const;

export type EntryName = keyof typeof entries;

/** Absolute path of the built entry, whether the caller runs from `dist` or (in tests) from source. */
export function entryPath(name: EntryName): string {
  const here = dirname(fileURLToPath(import.meta.url));
  const built = here.endsWith(`${sep}dist${sep}server`) ? here : join(here, '..', 'dist', 'server');
  return join(built, entries[name]);
}
