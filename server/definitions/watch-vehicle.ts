// Watches a vehicle folder: tells of every save, parsed in a worker, whether it is good or broken.
import { type FSWatcher, watch } from 'node:fs';
import { readdir, stat } from 'node:fs/promises';
import { join } from 'node:path';
import { Worker } from 'node:worker_threads';
import { entryPath } from '../entries.ts';
import { definitionsPollMs, definitionsSettleMs } from '../limits.ts';
import type { DefinitionsAnswer, DefinitionsRequest } from './definitions-worker.ts';
import type { LoadedVehicle } from './load-vehicle.ts';

export interface VehicleWatch {
  close(): Promise<void>;
}

/**
 * Calls `onSave` after every change of the folder's files: with a vehicle when they are good, and with problems alone when they are
 * broken (the caller keeps the last good one). Saves that leave all texts as they were are not told.
 *
 * Folders are watched, not files: editors save by writing a new file and renaming it over the old one. Where the system tells
 * nothing (some network folders), changes are found by looking every `definitionsPollMs`.
 *
 * @param known What the caller has loaded already; only what differs from it is told. Without it the folder as it is is told first.
 * @param onUnreadable Called when a file is there and can't be opened: `loadVehicle` says which and why.
 */
export async function watchVehicle(
  dir: string,
  known: LoadedVehicle | undefined,
  onSave: (loaded: LoadedVehicle) => void,
  onUnreadable: () => void = () => undefined,
): Promise<VehicleWatch> {
  const watching = new FolderWatch(dir, known, onSave, onUnreadable);
  await watching.start();
  return watching;
}

class FolderWatch implements VehicleWatch {
  private readonly dir: string;
  private readonly onSave: (loaded: LoadedVehicle) => void;
  private readonly onUnreadable: () => void;
  private readonly worker: Worker;
  private readonly watchers = new Map<string, FSWatcher>();
  private readonly poll: NodeJS.Timeout;
  private told: string;
  private seen = '';
  private requests = 0;
  private settling: NodeJS.Timeout | undefined;
  private missingOnce = false;
  private closed = false;

  constructor(dir: string, known: LoadedVehicle | undefined, onSave: (loaded: LoadedVehicle) => void, onUnreadable: () => void) {
    this.dir = dir;
    this.onSave = onSave;
    this.onUnreadable = onUnreadable;
    this.told = known ? textsOf(known) : '';
    this.worker = new Worker(entryPath('definitions'));
    this.worker.unref();
    this.worker.on('message', (answer: DefinitionsAnswer) => this.take(answer));
    this.poll = setInterval(() => void this.look(), definitionsPollMs).unref();
  }

  async start(): Promise<void> {
    this.seen = await signatureOf(this.dir);
    this.watchFolders();
    // A save between the caller's reading and this moment is found too.
    this.ask();
  }

  async close(): Promise<void> {
    this.closed = true;
    clearInterval(this.poll);
    clearTimeout(this.settling);
    for (const watcher of this.watchers.values()) watcher.close();
    await this.worker.terminate();
  }

  /** (Re)watches the folder and its two places of device files, as far as they are there. */
  private watchFolders(): void {
    for (const folder of foldersOf(this.dir)) {
      if (this.watchers.has(folder)) continue;
      try {
        const watcher = watch(folder, { persistent: false }, () => this.settle());
        const forget = () => {
          watcher.close();
          this.watchers.delete(folder);
        };
        watcher.on('error', forget);
        this.watchers.set(folder, watcher);
      } catch {
        // Not there, or the system has no more watches: looking regularly finds changes all the same.
      }
    }
  }

  /** Waits until a burst of events is over: an editor's save is several. */
  private settle(waitMs = definitionsSettleMs): void {
    if (this.closed) return;
    clearTimeout(this.settling);
    this.settling = setTimeout(() => this.ask(), waitMs).unref();
  }

  private async look(): Promise<void> {
    this.watchFolders();
    const signature = await signatureOf(this.dir);
    if (signature === this.seen) return;
    this.seen = signature;
    this.settle();
  }

  private ask(): void {
    this.worker.postMessage({ number: ++this.requests, dir: this.dir } satisfies DefinitionsRequest);
  }

  private take({ number, loaded }: DefinitionsAnswer): void {
    if (this.closed || number !== this.requests) return;
    if (!loaded) {
      this.onUnreadable();
      return;
    }
    const texts = textsOf(loaded);
    if (texts === this.told) return;
    // Between an editor's two steps a file may be gone or empty for a moment: look once more before telling.
    const halfSaved = loaded.problems.some(({ code }) => code === 'FILE_MISSING') || loaded.files.some(({ text }) => text === '');
    if (halfSaved && !this.missingOnce) {
      this.missingOnce = true;
      this.settle(2 * definitionsSettleMs);
      return;
    }
    this.missingOnce = false;
    this.told = texts;
    this.onSave(loaded);
  }
}

function foldersOf(dir: string): string[] {
  return [dir, join(dir, 'devices'), join(dir, '..', 'devices')];
}

function textsOf({ files }: LoadedVehicle): string {
  return JSON.stringify(files);
}

/** Names, sizes and times of all files that could matter. */
async function signatureOf(dir: string): Promise<string> {
  const parts: string[] = [];
  for (const folder of foldersOf(dir)) {
    const names = (await readdir(folder).catch(() => [])).filter((name) => /\.ya?ml$/i.test(name));
    for (const name of names.sort()) {
      const found = await stat(join(folder, name)).catch(() => undefined);
      parts.push(`${folder}/${name} ${found?.size} ${found?.mtimeMs} ${found?.ino}`);
    }
  }
  return parts.join('\n');
}
