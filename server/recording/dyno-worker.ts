// Worker entry: pulls, holds and the distribution study of stored sessions, apart from the history worker whose answers must be quick.
import { parentPort, workerData } from 'node:worker_threads';
import { collectSeries } from '../collect-series.ts';
import type { PullsView } from '../contract/pulls.ts';
import { type Hold, readHolds } from '../dyno/holds.ts';
import { profilePull } from '../dyno/pull-profile.ts';
import { findPulls } from '../dyno/pulls.ts';
import { type Study, studyDistribution } from '../dyno/study.ts';
import type { DynoAnswer, DynoQuestion } from './dyno-messages.ts';
import { toPlain } from './plain-error.ts';
import { readSessionFrames, readSessionVehicle } from './session-frames.ts';

const port = parentPort;
if (!port) throw new Error('this is a worker');
const { data } = workerData as { data: string };

async function readSession(session: number) {
  const vehicle = readSessionVehicle(data, session);
  const series = await collectSeries(readSessionFrames(data, session, vehicle), vehicle);
  return { vehicle, series, ...findPulls(series, vehicle) };
}

async function readPulls(session: number): Promise<PullsView> {
  const { vehicle, series, pulls, notJudged } = await readSession(session);
  const { startUs, endUs } = series;
  return {
    session,
    seconds: (endUs - startUs) / 1e6,
    startUs,
    pulls: pulls.map((pull, i) => profilePull(series, vehicle, pull, pulls[i + 1]?.from)),
    notJudged,
  };
}

async function study(sessions: readonly number[]): Promise<Study> {
  const holds: Hold[] = [];
  for (const session of sessions) {
    const { vehicle, series, pulls } = await readSession(session);
    holds.push(...readHolds(session, series, vehicle, pulls));
  }
  return studyDistribution(holds);
}

/** One after the other: each takes a session's samples into memory. */
let last: Promise<unknown> = Promise.resolve();

port.on('message', (question: DynoQuestion) => {
  last = last.then(async () => {
    const { ask } = question;
    try {
      const result = question.kind === 'pulls' ? await readPulls(question.session) : await study(question.sessions);
      // A study is plain data with keys of its own beyond those that pages use.
      port.postMessage({ ask, result: result as never } satisfies DynoAnswer);
    } catch (error) {
      port.postMessage({ ask, error: toPlain(error) } satisfies DynoAnswer);
    }
  });
});
