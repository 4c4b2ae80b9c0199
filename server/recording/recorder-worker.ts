// Worker entry: holds the data folder and the only connections that write into it.
import { parentPort, workerData } from 'node:worker_threads';
import { machineClock } from '../clock.ts';
import { deletedKeptMs } from '../limits.ts';
import { programVersion } from '../version.ts';
import { syncCatalogue } from './catalogue.ts';
import { DataFolderLock } from './data-folder.ts';
import { toPlain } from './plain-error.ts';
import { RecorderCore } from './recorder-core.ts';
import type { FromRecorder, ToRecorder } from './recorder-messages.ts';
import { deleteSession, editNotes, purgeDeleted, undeleteSession } from './session-edits.ts';
import type { SessionNotes } from './session-facts.ts';
import { loadStored } from './session-file.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');

const { data } = workerData as { data: string };
const tell = (message: FromRecorder): void => port.postMessage(message);

/** Purges what was deleted long ago, and brings the catalogue in line with the files. */
function tidyUp(): void {
  purgeDeleted(data, machineClock.wallMs() - deletedKeptMs);
  syncCatalogue(data);
}

/** What pages may have done to sessions; the one that is being recorded is changed through its own writer. */
function answer({ call, name, args }: Extract<ToRecorder, { kind: 'call' }>, core: RecorderCore | undefined): void {
  try {
    const [session, change] = args as [number, Partial<SessionNotes>];
    if (name === 'change') {
      if (!core?.changeOpen(session, change)) editNotes(data, session, change);
    } else if (name === 'remove') deleteSession(data, session);
    else if (name === 'restore') undeleteSession(data, session);
    else throw new Error(`the recorder knows no call '${name}'`);
    syncCatalogue(data);
    tell({ kind: 'answer', call });
  } catch (error) {
    tell({ kind: 'answer', call, error: toPlain(error) });
  }
}

function serve(lock: DataFolderLock): void {
  let core: RecorderCore | undefined;
  port?.on('message', async (message: ToRecorder) => {
    if (message.kind === 'begin') {
      core = new RecorderCore(
        { data, clock: machineClock, program: programVersion, load: loadStored, tell, sessionClosed: () => syncCatalogue(data) },
        message.vehicle,
      );
      void core.finishOldSessions().then(tidyUp);
    } else if (message.kind === 'inputs') core?.take(message);
    else if (message.kind === 'call') answer(message, core);
    else if (message.kind === 'close') {
      await core?.close();
      lock.release();
      tell({ kind: 'closed' });
      port?.close();
    }
  });
  tell({ kind: 'ready' });
}

try {
  serve(DataFolderLock.take(data));
} catch (error) {
  tell({ kind: 'failed', error: toPlain(error) });
  port.close();
}
