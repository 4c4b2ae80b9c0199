// Checks that were run on the live bus, as markers of the session that was recorded meanwhile. Pure.
import type { CheckRun } from '../contract/checks.ts';
import type { Marker, SessionDetail } from '../contract/replay.ts';

/** The session with a marker for each run, by the wall time at which it began. */
export function withChecks(detail: SessionDetail, runs: readonly CheckRun[]): SessionDetail {
  if (runs.length === 0) return detail;
  const { fromUs, toUs, session } = detail;
  const within = (us: number): number => Math.max(fromUs, Math.min(toUs, Math.round(us)));
  const markers = runs.map(({ check, title, startedWallMs, seconds, wrong }): Marker => {
    const beganUs = fromUs + (startedWallMs - session.startedWallMs) * 1000;
    const said = wrong === 0 ? 'nothing wrong' : `${wrong} not right`;
    return {
      timeUs: within(beganUs),
      untilUs: within(beganUs + seconds * 1e6),
      kind: 'check',
      text: `${title === '' ? `${check} check` : title}, ${said}`,
    };
  });
  return { ...detail, markers: [...detail.markers, ...markers].sort((a, b) => a.timeUs - b.timeUs) };
}
