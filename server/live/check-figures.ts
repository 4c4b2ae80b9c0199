// Why the number of a verdict is what it is: of the running check or a kept run, laid on the session that was recorded meanwhile.
import { channelsCounted } from '../checks/counted-measures.ts';
import { explainVerdict, type JudgedRun } from '../checks/verdict-figure.ts';
import type { CheckResultView } from '../contract/checks.ts';
import type { SessionDetail } from '../contract/replay.ts';
import type { FigureView } from '../contract/why.ts';
import type { Vehicle } from '../definitions/vehicle.ts';
import type { CheckDesk } from './check-desk.ts';

export interface CheckFigureParts {
  checks: Pick<CheckDesk, 'runs' | 'guided'>;
  /** Today's definitions: they say what a frame's signals are. */
  vehicle: Vehicle;
  /** The session that is recorded now. */
  recording: number | null;
  /** A recorded session. */
  detail(session: number): Promise<SessionDetail | undefined>;
}

/** @param key `running 4 fuel-delta` or `7 4 fuel-delta`: the run, place and code of a verdict. Undefined: there is none, or it counts nothing. */
export async function explainCheckFigure(
  parts: CheckFigureParts,
  [of = '', place = '', code = '']: readonly string[],
): Promise<FigureView | undefined> {
  const found = of === 'running' ? findRunning(parts) : await getRun(parts, Number(of));
  const verdict = found?.result.verdicts[Number(place)];
  // A running check judges anew: another verdict may have come to this place.
  return found && verdict?.code === code
    ? explainVerdict(verdict, { ...found.run, channelsCounted: (counted) => channelsCounted(counted, parts.vehicle) })
    : undefined;
}

interface Found {
  run: JudgedRun;
  result: CheckResultView;
}

function findRunning({ checks, recording }: CheckFigureParts): Found | undefined {
  const state = checks.guided.state();
  if (!state?.result) return undefined;
  const { check, seconds, startedUs, result } = state;
  return {
    result,
    run: { check, called: 'the check that runs', limits: result.limits ?? [], seconds, session: recording, startUs: startedUs },
  };
}

/** @throws EvenburnError CHECK_RUN_UNKNOWN */
async function getRun({ checks, detail }: CheckFigureParts, run: number): Promise<Found> {
  const { check, seconds, session, startedWallMs, result } = await checks.runs.get(run);
  // The session may be gone by now: the number is told all the same.
  const kept = session === null ? undefined : await detail(session).catch(() => undefined);
  const startUs = kept ? kept.fromUs + (startedWallMs - kept.session.startedWallMs) * 1000 : 0;
  const limits = result.limits ?? [];
  return { result, run: { check, called: `run ${run} of the ${check} check`, limits, seconds, session: kept ? session : null, startUs } };
}
