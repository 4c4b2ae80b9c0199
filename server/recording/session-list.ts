// The list of sessions as pages show it: searched, with what was deleted, the room there is, and pulls counted bit by bit.
import { statSync } from 'node:fs';
import { machineClock } from '../clock.ts';
import type { SessionView } from '../contract/sessions.ts';
import { findPulls } from '../dyno/pulls.ts';
import { deletedKeptMs } from '../limits.ts';
import { listSummaries, matchesSearch } from './catalogue.ts';
import { deletedNumbers, deletedPath, freeBytes } from './data-folder.ts';
import type { ListedSessions } from './history-questions.ts';
import { ReadingFile } from './reading-file.ts';
import { seriesSetOf } from './reading-series.ts';
import { SessionFile } from './session-file.ts';

/** Pulls of so many milliseconds are counted for one list: whoever replays meanwhile waits no longer. */
const countingMsMax = 60;

/** Pulls by session, as long as its file stays as it was. */
const counted = new Map<number, { bytes: number; pulls: NonNullable<SessionView['pulls']> }>();

export function listOf(data: string, search: string): ListedSessions {
  const summaries = listSummaries(data);
  const found = search.trim() === '' ? summaries : summaries.filter((summary) => matchesSearch(summary, search));
  const sessions = found.map(({ view }) => view);
  countPulls(data, sessions);
  return {
    sessions,
    all: summaries.length,
    laidAside: listLaidAside(data),
    keep: { bytes: summaries.reduce((sum, { view }) => sum + view.bytes, 0), freeBytes: freeBytes(data) },
  };
}

/** Fills in what was counted before, and counts some more; an open session's pulls are not counted yet. */
function countPulls(data: string, sessions: SessionView[]): void {
  const endUs = machineClock.monotonicUs() + countingMsMax * 1000;
  for (const view of sessions) {
    const held = counted.get(view.session);
    if (held?.bytes === view.bytes) view.pulls = held.pulls;
    else if (view.state !== 'open' && machineClock.monotonicUs() < endUs) {
      const pulls = pullsOf(data, view.session);
      if (pulls) counted.set(view.session, { bytes: view.bytes, pulls });
      view.pulls = pulls ?? null;
    }
  }
}

/** Undefined when the session can't be read: its own page says why. */
function pullsOf(data: string, session: number): SessionView['pulls'] | undefined {
  try {
    const file = SessionFile.open(data, session);
    try {
      const { pulls } = findPulls(seriesSetOf(new ReadingFile(file, file.shownReading), file.facts), file.vehicle);
      return { sweeps: pulls.filter(({ kind }) => kind === 'sweep').length, holds: pulls.filter(({ kind }) => kind === 'hold').length };
    } finally {
      file.close();
    }
  } catch {
    return undefined;
  }
}

function listLaidAside(data: string): ListedSessions['laidAside'] {
  return deletedNumbers(data).map((session) => {
    const { mtimeMs, size } = statSync(deletedPath(data, session));
    return { session, sinceWallMs: mtimeMs, untilWallMs: mtimeMs + deletedKeptMs, bytes: size };
  });
}
