// Worker entry: tables laid out and definition files changed, apart from the thread of alarms; one question after the other.
import { parentPort, workerData } from 'node:worker_threads';
import { toPlain } from '../recording/plain-error.ts';
import { readDefinitions, saveDraft, tryDraft } from './draft.ts';
import type { EditorAnswer, EditorQuestion } from './editor-messages.ts';
import { layOutHarness, layOutTable } from './lay-out-table.ts';
import { addDevice, addSignal } from './vehicle-folder.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');
const { dir } = workerData as { dir: string };

async function answer(question: EditorQuestion): Promise<NonNullable<EditorAnswer['result']>> {
  if (question.kind === 'table') return layOutTable(question.table);
  if (question.kind === 'harness-table') return layOutHarness(question.table);
  if (question.kind === 'device') return addDevice(dir, question.device);
  if (question.kind === 'read') return readDefinitions(dir);
  if (question.kind === 'draft') return tryDraft(question.draft);
  if (question.kind === 'save') return saveDraft(dir, question.save);
  return addSignal(dir, question.found, question.acceptance);
}

/** Two changes at once would each be checked against a folder without the other. */
let last: Promise<unknown> = Promise.resolve();

port.on('message', (question: EditorQuestion) => {
  last = last.then(async () => {
    const { ask } = question;
    try {
      port.postMessage({ ask, result: await answer(question) } satisfies EditorAnswer);
    } catch (error) {
      port.postMessage({ ask, error: toPlain(error) } satisfies EditorAnswer);
    }
  });
});
