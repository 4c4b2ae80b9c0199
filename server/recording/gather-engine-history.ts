// Puts the engine's history together: digests of its sessions, and what people wrote down in the log book.
import type { EngineHistoryView, TimingView } from '../contract/engine-history.ts';
import type { LogEntry } from '../contract/log-book.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { compareLastStart, listStarts } from '../engine-history/compare-starts.ts';
import { findHeatCycles, type PlacedDigest, readHeatCycleLimits, totalProbeHours } from '../engine-history/heat-cycles.ts';
import { compareLeakDown } from '../engine-history/leak-down.ts';
import { listNotJudged } from '../engine-history/not-judged.ts';
import { judgeProbeDrift } from '../engine-history/probe-drift.ts';
import { judgeTiming } from '../engine-history/timing-check.ts';
import { LogBook } from './log-book.ts';
import { SessionDigests } from './session-digests.ts';

const startsShownMax = 30;
const runsShownMax = 10;
const leaksShownMax = 20;

/** @param vehicle Today's definitions: their name picks the sessions, their limits say what a heat cycle is. */
export async function gatherEngineHistory(data: string, vehicle: Vehicle): Promise<EngineHistoryView> {
  const entries = await new LogBook(data).list(vehicle.name);
  const { sessions, unread } = await new SessionDigests(data).of(vehicle.name);
  const starts = listStarts(sessions);
  const { warmC, coldC } = readHeatCycleLimits(vehicle).limits;
  return {
    vehicle: vehicle.name,
    sessions: sessions.length,
    unread,
    notJudged: listNotJudged(vehicle),
    timing: timingOf(entries),
    cycles: findHeatCycles(sessions, vehicle).map((cycle) => ({ ...cycle, sheet: sheetOf(entries, cycle) })),
    cycleLimits: { warmC, coldC },
    probeHours: totalProbeHours(sessions),
    // Verdicts are plain data with keys of their own beyond those that pages use.
    drift: (judgeProbeDrift(sessions) as EngineHistoryView['drift'] | undefined) ?? null,
    runs: runsOf(sessions),
    starts: starts.slice(-startsShownMax).reverse(),
    comparison: compareLastStart(starts) ?? null,
    ...leaksOf(sessions),
    lags: lagsOf(sessions),
  };
}

/** Readings since the last adjustment, without those that were taken back. */
export function timingOf(entries: readonly LogEntry[]): TimingView {
  const undone = new Set(entries.flatMap((entry) => (entry.kind === 'timing-undone' ? [entry.of] : [])));
  const adjusted = entries.findLast(({ kind }) => kind === 'timing-adjusted')?.entry ?? 0;
  const given = entries.flatMap((entry) =>
    entry.kind === 'timing-reading' && entry.entry > adjusted && !undone.has(entry.entry) ? [entry] : [],
  );
  const judgement = judgeTiming(given);
  const readings = judgement.readings.map(({ errorDeg, speedRpm, lightDeg, commandedDeg }, i) => {
    const { entry, by, wallMs, note } = given[i] as (typeof given)[number];
    return { entry, by, wallMs, note, speedRpm, lightDeg, commandedDeg, errorDeg };
  });
  return { ...judgement, readings } as TimingView;
}

function sheetOf(entries: readonly LogEntry[], cycle: { session: number; fromS: number }): LogEntry | null {
  const isOfCycle = (entry: LogEntry) =>
    entry.kind === 'heat-cycle-sheet' && entry.session === cycle.session && Math.abs(entry.fromS - cycle.fromS) < 1;
  return entries.findLast(isOfCycle) ?? null;
}

function runsOf(sessions: readonly PlacedDigest[]): EngineHistoryView['runs'] {
  const runs = sessions.flatMap(({ session, startedWallMs, digest }) =>
    digest.runs.map((run) => ({ ...run, session, startedWallMs: Math.round(startedWallMs + run.fromS * 1000) })),
  );
  return runs.slice(-runsShownMax).reverse() as EngineHistoryView['runs'];
}

function leaksOf(sessions: readonly PlacedDigest[]): Pick<EngineHistoryView, 'leaks' | 'leakNow'> {
  const leaks = sessions.flatMap(({ session, startedWallMs, digest }) => digest.leaks.map((leak) => ({ ...leak, session, startedWallMs })));
  const sets = [...new Set(leaks.map(({ set }) => set))];
  const leakNow = sets.flatMap((set) => {
    const [last, now] = leaks.filter((leak) => leak.set === set).slice(-2);
    if (now) return [compareLeakDown(now, last)];
    return last ? [compareLeakDown(last, undefined)] : [];
  });
  return { leaks: leaks.slice(-leaksShownMax).reverse(), leakNow };
}

/** Of each probe that was ever in, the newest. */
function lagsOf(sessions: readonly PlacedDigest[]): EngineHistoryView['lags'] {
  const lags = new Map<string, EngineHistoryView['lags'][number]>();
  for (const { session, digest } of sessions)
    for (const lag of digest.lags) lags.set(lag.probe ?? `cylinder ${lag.cylinder}`, { ...lag, session });
  return [...lags.values()].sort((a, b) => a.cylinder - b.cylinder);
}
