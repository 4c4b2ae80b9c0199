// Puts a definition file in place of another in one step, so that whoever reads it sees the old text or the new one.
import { closeSync, fsyncSync, openSync, renameSync, rmSync, statSync, writeSync } from 'node:fs';
import { EvenburnError } from '../errors.ts';

/**
 * Writes beside the file and renames; the file keeps its permissions.
 * @throws EvenburnError OUTPUT_FILE_UNWRITABLE; the file is then as it was.
 */
export function replaceFile(path: string, text: string): void {
  const beside = `${path}.${process.pid}~`;
  try {
    const descriptor = openSync(beside, 'wx', statSync(path, { throwIfNoEntry: false })?.mode ?? 0o666);
    try {
      writeSync(descriptor, text);
      fsyncSync(descriptor);
    } finally {
      closeSync(descriptor);
    }
    renameSync(beside, path);
  } catch (error) {
    rmSync(beside, { force: true });
    const { code, message } = error as NodeJS.ErrnoException;
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: code ?? message }, error);
  }
}
