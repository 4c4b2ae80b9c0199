// Worker entry: answers questions about stored sessions; reads only.
import { statSync } from 'node:fs';
import { parentPort, workerData } from 'node:worker_threads';
import { openSessionsMax } from '../limits.ts';
import { summarize } from './catalogue.ts';
import { withChecks } from './check-markers.ts';
import { CheckRuns } from './check-runs.ts';
import type { HistoryAnswer, HistoryQuestion, HistoryQuestions } from './history-questions.ts';
import { LogBook } from './log-book.ts';
import { withLog } from './log-markers.ts';
import { toPlain } from './plain-error.ts';
import { SessionFile } from './session-file.ts';
import { listOf } from './session-list.ts';
import { isGone, StoredSession } from './stored-session.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');
const { data } = workerData as { data: string };

const open = new Map<number, { stored: StoredSession; inode: number }>();

/** The session, opened when it isn't; those asked for longest ago are closed. */
function stored(session: number): StoredSession {
  const held = open.get(session);
  open.delete(session);
  if (held && !isGone(held.stored.file.path, held.inode)) {
    open.set(session, held);
    return held.stored;
  }
  held?.stored.close();
  for (const [oldest, { stored: old }] of open) {
    if (open.size < openSessionsMax) break;
    old.close();
    open.delete(oldest);
  }
  const file = SessionFile.open(data, session);
  const fresh = { stored: new StoredSession(file), inode: statSync(file.path).ino };
  open.set(session, fresh);
  return fresh.stored;
}

function release(session: number): void {
  open.get(session)?.stored.close();
  open.delete(session);
}

const runs = new CheckRuns(data);
const logBook = new LogBook(data);

const answers: HistoryQuestions = {
  list: (search) => listOf(data, search),
  summary: (session) => summarize(data, session).view,
  detail: async ({ session, reading }) => {
    const detail = withChecks(stored(session).detail(reading), await runs.ofSession(session));
    return withLog(detail, await logBook.list(detail.session.vehicle));
  },
  instant: ({ session, reading }, atUs) => stored(session).instant(reading, atUs),
  step: ({ session }, atUs, to) => stored(session).step(atUs, to),
  window: ({ session, reading }, query) => stored(session).window(reading, query),
  statistics: ({ session, reading }, query) => stored(session).statistics(reading, query),
  why: ({ session, reading }, channel, atUs) => stored(session).why(reading, channel, atUs),
  release,
};

port.on('message', async ({ ask, name, args }: HistoryQuestion) => {
  let answer: HistoryAnswer;
  try {
    answer = { ask, result: await (answers[name] as (...args: unknown[]) => unknown)(...args) };
  } catch (error) {
    answer = { ask, error: toPlain(error) };
  }
  port.postMessage(answer);
});
