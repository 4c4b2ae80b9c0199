// Worker entry: holds the data folder and the only connections that write into it.
import { parentPort, workerData } from 'node:worker_threads';
import { machineClock } from '../clock.ts';
import { deletedKeptMs, diskWarningBytes } from '../limits.ts';
import { programVersion } from '../version.ts';
import { syncCatalogue } from './catalogue.ts';
import { DataFolderLock, freeBytes } from './data-folder.ts';
import { toPlain } from './plain-error.ts';
import { RecorderCore } from './recorder-core.ts';
import type { FromRecorder, KeepSessions, ToRecorder } from './recorder-messages.ts';
import { deleteSession, editNotes, purgeDeleted, retain, showReading, undeleteSession } from './session-edits.ts';
import type { SessionNotes } from './session-facts.ts';
import { loadStored } from './session-file.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');

const { data, keep } = workerData as { data: string; keep: KeepSessions };
const dayMs = 24 * 3600 * 1000;
const tell = (message: FromRecorder): void => port.postMessage(message);

/** Runs what is no part of recording and must never end it: lists work from the files too, and the next session's end tries again. */
function attempt(work: () => void): void {
  try {
    work();
  } catch {
    // A full disk or a file that is locked has its own word from the recorder.
  }
}

/** Keeps the folder within its bounds, purges what was deleted long ago, and brings the catalogue in line with the files. */
function tidyUp(): void {
  const { bytesMax, daysMax } = keep;
  const nowMs = machineClock.wallMs();
  retain(data, {
    ...(bytesMax === undefined ? {} : { bytesMax }),
    ...(daysMax === undefined ? {} : { beforeWallMs: nowMs - daysMax * dayMs }),
  });
  // What was deleted can come back for a while, unless its room is needed.
  purgeDeleted(data, freeBytes(data) < diskWarningBytes ? nowMs : nowMs - deletedKeptMs);
  syncCatalogue(data);
}

/** What pages may have done to sessions; the one that is being recorded is changed through its own writer. */
function answer({ call, name, args }: Extract<ToRecorder, { kind: 'call' }>, core: RecorderCore | undefined): void {
  try {
    const [session, what] = args as [number, unknown];
    if (name === 'change') {
      const change = what as Partial<SessionNotes>;
      if (!core?.changeOpen(session, change)) editNotes(data, session, change);
    } else if (name === 'show') showReading(data, session, what as number);
    else if (name === 'remove') deleteSession(data, session);
    else if (name === 'restore') undeleteSession(data, session);
    else throw new Error(`the recorder knows no call '${name}'`);
    attempt(() => syncCatalogue(data));
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
        { data, clock: machineClock, program: programVersion, load: loadStored, tell, sessionClosed: () => attempt(tidyUp) },
        message.vehicle,
      );
      void core.finishOldSessions().then(() => attempt(tidyUp));
    } else if (message.kind === 'inputs') core?.take(message);
    else if (message.kind === 'stamps') core?.setStamps(message.stamps);
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
