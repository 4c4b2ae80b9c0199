// Worker entry: holds the data folder and the only connections that write into it.
import { parentPort, workerData } from 'node:worker_threads';
import { machineClock } from '../clock.ts';
import { programVersion } from '../version.ts';
import { DataFolderLock } from './data-folder.ts';
import { toPlain } from './plain-error.ts';
import { RecorderCore } from './recorder-core.ts';
import type { FromRecorder, ToRecorder } from './recorder-messages.ts';
import { loadStored } from './session-file.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');

const { data } = workerData as { data: string };
const tell = (message: FromRecorder): void => port.postMessage(message);

function serve(lock: DataFolderLock): void {
  let core: RecorderCore | undefined;
  port?.on('message', async (message: ToRecorder) => {
    if (message.kind === 'begin') {
      core = new RecorderCore({ data, clock: machineClock, program: programVersion, load: loadStored, tell }, message.vehicle);
      void core.finishOldSessions();
    } else if (message.kind === 'inputs') core?.take(message);
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
