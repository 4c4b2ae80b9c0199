// Copies of session files, also of one that is being recorded, and of all of them into a folder.
import { copyFileSync, existsSync, mkdirSync, readdirSync, renameSync, rmSync, statSync, utimesSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { EvenburnError } from '../errors.ts';
import { makeFolder, sessionNumbers } from './data-folder.ts';
import { finishKilled, isLogged } from './recovery.ts';
import { loadStored, SessionFile } from './session-file.ts';

/**
 * Copies a session: a closed one byte for byte, an open one as it stands in one instant, finished as what it is by then.
 * @returns Bytes of the copy.
 * @throws EvenburnError OUTPUT_FILE_UNWRITABLE
 */
export async function copySessionFile(file: SessionFile, path: string): Promise<number> {
  const draft = `${path}.part`;
  try {
    // A log beside the file is part of the data: then SQLite makes the copy.
    if (isLogged(file.path)) {
      await file.db.backup(draft);
      await finishKilled(draft, loadStored, 'copied');
    } else copyFileSync(file.path, draft);
    renameSync(draft, path);
    return statSync(path).size;
  } catch (error) {
    for (const suffix of ['', '-wal', '-shm']) rmSync(`${draft}${suffix}`, { force: true });
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path, why: (error as Error).message }, error);
  }
}

export interface BackupResult {
  copied: number[];
  /** Their copies are as new as they are. */
  unchanged: number[];
  /** Can't be read, with the reason. */
  failed: { session: number; why: string }[];
}

/** Copies all sessions and what people wrote down into a folder; what is up to date there is left alone. */
export async function backupSessions(data: string, folder: string): Promise<BackupResult> {
  const result: BackupResult = { copied: [], unchanged: [], failed: [] };
  try {
    makeFolder(folder);
  } catch (error) {
    throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: folder, why: (error as Error).message }, error);
  }
  for (const session of sessionNumbers(data)) {
    const path = join(folder, `${session}.sqlite`);
    try {
      result[(await backupSession(data, session, path)) ? 'copied' : 'unchanged'].push(session);
    } catch (error) {
      if (error instanceof EvenburnError && error.code === 'OUTPUT_FILE_UNWRITABLE') throw error;
      result.failed.push({ session, why: (error as Error).message });
    }
  }
  copyWritten(data, folder);
  return result;
}

/** What people wrote down, and the photos and logs that belong to it: a file of the same size and time is the same. */
function copyWritten(data: string, folder: string): void {
  const attachments = join(data, 'attachments');
  const kept = existsSync(attachments) ? readdirSync(attachments).map((name) => join('attachments', name)) : [];
  const books = existsSync(data) ? readdirSync(data).filter((name) => name.endsWith('.jsonl')) : [];
  for (const name of [...books, ...kept]) {
    const [from, to] = [join(data, name), join(folder, name)];
    const { size, mtime, mtimeMs, atime } = statSync(from);
    if (existsSync(to) && statSync(to).size === size && Math.abs(statSync(to).mtimeMs - mtimeMs) < 1) continue;
    try {
      mkdirSync(dirname(to), { recursive: true });
      copyFileSync(from, `${to}.part`);
      renameSync(`${to}.part`, to);
      utimesSync(to, atime, mtime);
    } catch (error) {
      rmSync(`${to}.part`, { force: true });
      throw new EvenburnError('OUTPUT_FILE_UNWRITABLE', { path: to, why: (error as Error).message }, error);
    }
  }
}

async function backupSession(data: string, session: number, path: string): Promise<boolean> {
  const file = SessionFile.open(data, session);
  try {
    const { mtimeMs, mtime, atime } = statSync(file.path);
    const isLive = isLogged(file.path);
    if (!isLive && existsSync(path) && Math.abs(statSync(path).mtimeMs - mtimeMs) < 1) return false;
    await copySessionFile(file, path);
    if (!isLive) utimesSync(path, atime, mtime);
    return true;
  } finally {
    file.close();
  }
}
