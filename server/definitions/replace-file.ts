// Puts a text file in place of another in one step, so that whoever reads it sees the old text or the new one; or a new one where none is.
import { closeSync, fsyncSync, mkdirSync, openSync, renameSync, rmSync, statSync, writeSync } from 'node:fs';
import { dirname } from 'node:path';
import { EvenburnError } from '../errors.ts';

/**
 * Writes beside the file and renames; the file keeps its permissions.
 * @throws EvenburnError OUTPUT_FILE_UNWRITABLE; the file is then as it was.
 */
export function replaceFile(path: string, text: string): void {
  const beside = `${path}.${process.pid}~`;
  try {
    writeNew(beside, text, statSync(path, { throwIfNoEntry: false })?.mode);
    renameSync(beside, path);
  } catch (error) {
    rmSync(beside, { force: true });
    throw unwritable(path, error);
  }
}

/**
 * Writes a file that must not be there yet, its folder too where that is missing.
 * @throws EvenburnError OUTPUT_FILE_EXISTS, OUTPUT_FILE_UNWRITABLE; what was there is then as it was.
 */
export function createFile(path: string, text: string): void {
  try {
    mkdirSync(dirname(path), { recursive: true });
    writeNew(path, text);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'EEXIST') throw new EvenburnError('OUTPUT_FILE_EXISTS', { path });
    throw unwritable(path, error);
  }
}

/** What could not be written in full is taken away. */
function writeNew(path: string, text: string, mode = 0o666): void {
  const descriptor = openSync(path, 'wx', mode);
  try {
    writeSync(descriptor, text);
    fsyncSync(descriptor);
  } catch (error) {
    rmSync(path, { force: true });
    throw error;
  } finally {
    closeSync(descriptor);
  }
}

function unwritable(path: string, error: unknown): EvenburnError {
  const { code, message } = error as NodeJS.ErrnoException;
  return new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: code ?? message }, error);
}
