// The vehicle folder's editor as routes ask it; a worker reads, checks and writes.
import { Worker } from 'node:worker_threads';
import type { DefinitionsView, DraftRequest, DraftView, SaveRequest } from '../contract/definitions.ts';
import type {
  DeviceRequest,
  HarnessTableRequest,
  HarnessTableView,
  SavedDefinition,
  TableRequest,
  TableView,
} from '../contract/table-import.ts';
import { entryPath } from '../entries.ts';
import type { Acceptance } from '../finder/accept-finding.ts';
import { toError } from '../recording/plain-error.ts';
import type { EditorAnswer, EditorQuestion } from './editor-messages.ts';
import type { FoundSignal } from './vehicle-folder.ts';

type Waiting = { resolve: (result: never) => void; reject: (error: Error) => void };
type WithoutNumber<Q> = Q extends unknown ? Omit<Q, 'ask'> : never;

/** The worker starts with the first question; after it has failed, with the next. */
export class VehicleEditor {
  private readonly dir: string;
  private worker: Worker | undefined;
  private asked = 0;
  /** The newest question's answer; the worker takes one after the other. */
  private last: Promise<unknown> = Promise.resolve();
  private readonly waiting = new Map<number, Waiting>();

  /** @param dir The vehicle folder. */
  constructor(dir: string) {
    this.dir = dir;
  }

  /** Writes nothing. @throws EvenburnError TABLE_UNREADABLE, REQUEST_WRONG */
  layOutTable(table: TableRequest): Promise<TableView> {
    return this.ask({ kind: 'table', table });
  }

  /** Writes nothing. @throws EvenburnError HARNESS_TABLE_UNREADABLE, REQUEST_WRONG */
  layOutHarness(table: HarnessTableRequest): Promise<HarnessTableView> {
    return this.ask({ kind: 'harness-table', table });
  }

  /** @throws what `addDevice` of vehicle-folder.ts throws */
  addDevice(device: DeviceRequest): Promise<SavedDefinition> {
    return this.ask({ kind: 'device', device });
  }

  /** @throws what `addSignal` of vehicle-folder.ts throws */
  addSignal(found: FoundSignal, acceptance: Acceptance): Promise<SavedDefinition> {
    return this.ask({ kind: 'signal', found, acceptance });
  }

  /** The files on disk. @throws EvenburnError INPUT_FILE_UNREADABLE */
  read(): Promise<DefinitionsView> {
    return this.ask({ kind: 'read' });
  }

  /** Writes nothing. @throws what `tryDraft` of draft.ts throws */
  tryDraft(draft: DraftRequest): Promise<DraftView> {
    return this.ask({ kind: 'draft', draft });
  }

  /** @throws what `saveDraft` of draft.ts throws */
  save(save: SaveRequest): Promise<DefinitionsView> {
    return this.ask({ kind: 'save', save });
  }

  /** Waits for what is being written, so that no file is left half done. */
  async close(): Promise<void> {
    await this.last.catch(() => undefined);
    await this.worker?.terminate();
  }

  private ask<T>(question: WithoutNumber<EditorQuestion>): Promise<T> {
    this.worker ??= this.start();
    const ask = ++this.asked;
    const answer = new Promise<T>((resolve, reject) => {
      this.waiting.set(ask, { resolve, reject });
      this.worker?.postMessage({ ask, ...question });
    });
    this.last = answer;
    return answer;
  }

  private start(): Worker {
    const worker = new Worker(entryPath('editor'), { workerData: { dir: this.dir } });
    worker.unref();
    worker.on('message', ({ ask, result, error }: EditorAnswer) => {
      const waiting = this.waiting.get(ask);
      this.waiting.delete(ask);
      if (error) waiting?.reject(toError(error));
      else waiting?.resolve(result as never);
    });
    worker.on('error', (error) => this.fail(error));
    worker.on('exit', () => this.fail(new Error('the editor of definitions ended')));
    return worker;
  }

  /** Whoever waits is told. */
  private fail(error: Error): void {
    this.worker = undefined;
    for (const { reject } of this.waiting.values()) reject(error);
    this.waiting.clear();
  }
}
