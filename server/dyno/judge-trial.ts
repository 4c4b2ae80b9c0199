// What a recorded trial did: the pulls before and behind it compared in spread and in each cylinder's deviation. 'No effect' is a verdict. Pure.
import type { Difference } from './compare-pulls.ts';
import { compareSets, type SetComparison, type SetPull } from './compare-sets.ts';

export type TrialVerdict = 'no pulls yet' | 'not enough pulls to tell' | 'no effect' | 'helped' | 'made it worse' | 'changed cylinders';

export interface TrialJudgement {
  verdict: TrialVerdict;
  say: string;
  /** What to drive next, and what to mind. */
  advice: string[];
  spread: SetComparison | undefined;
  cylinders: { cylinder: number; deviation: Difference }[];
}

/**
 * Sets alternate when the trial was taken back and driven again (A-B-A): drift along the evening is then taken out.
 *
 * @param pulls Those before the trial, with the trial, and behind it once it was taken back ('before' again); only of one kind, holds or sweeps.
 */
export function judgeTrial(pulls: readonly SetPull[]): TrialJudgement {
  const count = (set: SetPull['set']) => pulls.filter((pull) => pull.set === set).length;
  const spread = compareSets(pulls, 'spread');
  const nothing = { spread, cylinders: [] };
  if (count('before') === 0 || count('after') === 0) {
    const missing = count('after') === 0 ? 'with it' : 'without it, to compare with';
    return { ...nothing, verdict: 'no pulls yet', say: `no pull or hold ${missing} yet`, advice: ['drive the same pulls or holds again'] };
  }
  const numbers = [...new Set(pulls.flatMap(({ profile }) => profile.cylinders))].sort((a, b) => a - b);
  const cylinders = numbers.flatMap((cylinder) => {
    const deviation = compareSets(pulls, `deviation:${cylinder}`)?.all;
    return deviation ? [{ cylinder, deviation }] : [];
  });
  const verdict = toVerdict(spread?.all, cylinders);
  return { verdict, say: toWords(verdict, spread?.all, cylinders), advice: spread?.advice ?? [], spread, cylinders };
}

type CylinderDifferences = TrialJudgement['cylinders'];

function toVerdict(spread: Difference | undefined, cylinders: CylinderDifferences): TrialVerdict {
  if (!spread) return 'not enough pulls to tell';
  if (spread.verdict === 'lower') return 'helped';
  if (spread.verdict === 'higher') return 'made it worse';
  if (movedOf(cylinders).length > 0) return 'changed cylinders';
  const open = [spread, ...cylinders.map(({ deviation }) => deviation)].some(({ verdict }) => verdict === 'not enough pulls to tell');
  return open ? 'not enough pulls to tell' : 'no effect';
}

function movedOf(cylinders: CylinderDifferences): CylinderDifferences {
  return cylinders.filter(({ deviation }) => deviation.verdict === 'higher' || deviation.verdict === 'lower');
}

function toWords(verdict: TrialVerdict, spread: Difference | undefined, cylinders: CylinderDifferences): string {
  const kelvin = (value: number) => `${value > 0 ? '+' : ''}${Math.round(value)} K`;
  const range = ({ difference, low, high }: Difference) =>
    low === null || high === null ? kelvin(difference) : `${kelvin(difference)} (${kelvin(low)} to ${kelvin(high)})`;
  const moved = movedOf(cylinders).map(({ cylinder, deviation }) => `cylinder ${cylinder} ${range(deviation)}`);
  const said = [spread && `spread ${range(spread)}`, ...moved].filter(Boolean).join(', ');
  if (verdict === 'no effect') return `no effect: ${said}; nothing that matters, all through the interval`;
  return said === '' ? verdict : `${verdict}: ${said}`;
}
