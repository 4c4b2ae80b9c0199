// Probes of a cold-soaked engine beside each other, and beside how they stood the last time: one that moved has aged. Pure.
import { amount, said } from '../checks/said.ts';
import type { Verdict } from '../checks/verdict.ts';
import type { PlacedDigest } from './heat-cycles.ts';
import type { FittedProbe } from './session-digest.ts';

/** Common practice, no source: an amplifier and a probe repeat to a kelvin or two at room temperature. */
export const driftLimitK = 3;

export interface ProbeDrift extends FittedProbe {
  /** From the median of the others, K; now and the last time that the engine was cold-soaked. Null: not then, or another probe was in. */
  offK: number;
  lastOffK: number | null;
  driftK: number | null;
}

export interface DriftJudgement {
  session: number;
  startedWallMs: number;
  /** Null: this is the first cold soak. */
  lastSession: number | null;
  probes: ProbeDrift[];
  verdicts: Verdict[];
}

/** The newest cold soak beside the one before. Undefined: no session began cold-soaked. @param sessions Oldest first. */
export function judgeProbeDrift(sessions: readonly PlacedDigest[]): DriftJudgement | undefined {
  const soaked = sessions.filter(({ digest }) => digest.soak !== null);
  const now = soaked.at(-1);
  if (!now) return undefined;
  const last = soaked.at(-2);
  const probes = (now.digest.soak?.probes ?? []).map((probe) => {
    const same = last?.digest.soak?.probes.find((other) => isSame(other, probe));
    const lastOffK = same?.offK ?? null;
    return { ...probe, lastOffK, driftK: lastOffK === null ? null : Number((probe.offK - lastOffK).toFixed(1)) };
  });
  return {
    session: now.session,
    startedWallMs: now.startedWallMs,
    lastSession: last?.session ?? null,
    probes,
    verdicts: probes.flatMap((probe) => toVerdict(probe) ?? []),
  };
}

/** The thing itself where it has a name, wherever it is now; else the channel. */
function isSame(a: FittedProbe, b: FittedProbe): boolean {
  return a.probe !== null || b.probe !== null ? a.probe === b.probe : a.channel === b.channel;
}

function toVerdict({ cylinder, channel, probe, driftK }: ProbeDrift): Verdict | undefined {
  if (driftK === null) return undefined;
  const ok = Math.abs(driftK) <= driftLimitK;
  const name = probe === null ? channel : `probe ${probe}`;
  return {
    code: 'probe-drift',
    ok,
    cylinder,
    channel,
    measured: driftK,
    limit: driftLimitK,
    unit: 'K',
    ...(ok
      ? said`${name} stands as last time (${driftK > 0 ? '+' : ''}${amount(driftK, 'K')})`
      : said`${name} reads ${amount(Math.abs(driftK), 'K', 1)} ${driftK > 0 ? 'more' : 'less'} beside the others than last time`),
    ...(ok ? {} : { next: 'Look at its connector and extension first; then swap it with another and see what the drift follows.' }),
  };
}
