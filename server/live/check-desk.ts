// Everything that checks are led, judged and kept by, put together for a running server; a check that ran when it ended goes on.
import { findProcedure } from '../checks/procedure.ts';
import type { CheckRun } from '../contract/checks.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import { toHarnessView } from '../harness/harness-to-view.ts';
import type { CheckRuns } from '../recording/check-runs.ts';
import type { LogBook } from '../recording/log-book.ts';
import type { SignOffs } from '../recording/sign-offs.ts';
import { GuidedChecks } from './guided-checks.ts';
import { LiveChecks } from './live-checks.ts';
import { openBlocking, toPreparation } from './preparation.ts';

export interface CheckDesk {
  live: LiveChecks;
  runs: CheckRuns;
  /** The steps of the running check. */
  guided: GuidedChecks;
}

interface DeskStation {
  readonly vehicle: Vehicle;
  timeUs(): number;
  wallMs(): number;
  status(): { recording: { session: number | null } };
}

export interface DeskParts {
  station: DeskStation;
  runs: CheckRuns;
  logBook: Pick<LogBook, 'list' | 'add'>;
  signOffs?: Pick<SignOffs, 'list'>;
  /** The data folder. */
  data: string;
  /** Wall time of session time 0. */
  startedWallMs: number;
}

/** What the preparation list is made of, as it stands now. */
export async function readPreparation({
  station,
  runs,
  logBook,
  signOffs,
}: Pick<DeskParts, 'runs' | 'logBook' | 'signOffs'> & { station: Pick<DeskStation, 'vehicle'> }) {
  const { vehicle } = station;
  const [log, signed, newest] = await Promise.all([logBook.list(vehicle.name), signOffs?.list() ?? [], newestRuns(runs, vehicle)]);
  return toPreparation({ vehicle, log, harness: toHarnessView(vehicle, signed), runs: newest });
}

/** The newest run of each check that the vehicle still has. */
async function newestRuns(runs: CheckRuns, vehicle: Vehicle): Promise<CheckRun[]> {
  const newest = new Map<string, number>();
  for (const { check, run, vehicle: of } of await runs.list()) if (of === vehicle.name && !newest.has(check)) newest.set(check, run);
  const known = [...newest].filter(([check]) => findProcedure(vehicle, check) !== undefined);
  return Promise.all(known.map(([, run]) => runs.get(run)));
}

export async function openCheckDesk(parts: DeskParts): Promise<CheckDesk> {
  const { station, runs, logBook } = parts;
  const live = new LiveChecks(station);
  const session = () => station.status().recording.session;
  const guided = new GuidedChecks({
    live,
    runs,
    station,
    session,
    write: (entry) => logBook.add(entry, station.vehicle.name, station.wallMs(), session()),
    blocking: async () => openBlocking(await readPreparation(parts)),
  });
  guided.resume(await logBook.list(station.vehicle.name), parts.data, parts.startedWallMs);
  return { live, runs, guided };
}
