// Pulls as people left them: named, numbered, moved, taken out, put in; a later word wins.
import { describe, expect, it } from 'vitest';
import { correctPulls, type PullCorrection } from '../../server/dyno/pull-corrections.ts';
import type { Pull } from '../../server/dyno/pulls.ts';

const startUs = 1_700_000_000_000_000;
const at = (seconds: number) => startUs + seconds * 1e6;
const found: Pull[] = [
  { kind: 'hold', from: 10, to: 18, speedFrom: 3990, speedTo: 4010, complete: true },
  { kind: 'sweep', from: 30, to: 38, speedFrom: 3000, speedTo: 6500, complete: true },
];
const corrected = (...corrections: PullCorrection[]) => correctPulls(found, corrections, startUs, (us) => 1000 + (us - startUs) / 1e6);

describe('pulls corrected by hand', () => {
  it('are numbered in the order in which they were driven', () => {
    expect(corrected().map(({ number, name, byHand }) => [number, name, byHand])).toEqual([
      [1, '', false],
      [2, '', false],
    ]);
  });

  it('take a name and a number; the later word wins', () => {
    const [, sweep] = corrected({ atUs: at(34), name: 'first', number: 7 }, { atUs: at(30), name: 'best' });
    expect(sweep).toMatchObject({ name: 'best', number: 7, byHand: false });
  });

  it('leave out what is none, and count on without it; it can be brought back', () => {
    expect(corrected({ atUs: at(12), isNone: true }).map(({ kind, number }) => [kind, number])).toEqual([['sweep', 1]]);
    expect(corrected({ atUs: at(12), isNone: true }, { atUs: at(12), isNone: false })).toHaveLength(2);
  });

  it('move ends, with the speeds there, and are still found at their old place', () => {
    const [, sweep] = corrected({ atUs: at(31), fromUs: at(32), toUs: at(37) }, { atUs: at(30.5), name: 'moved' });
    expect(sweep).toMatchObject({ from: 32, to: 37, speedFrom: 1032, speedTo: 1037, name: 'moved', byHand: true });
  });

  it('change kind', () => {
    expect(corrected({ atUs: at(31), as: 'hold' })[1]).toMatchObject({ kind: 'hold', from: 30, byHand: true });
  });

  it('refuse ends that run backwards', () => {
    expect(corrected({ atUs: at(31), fromUs: at(37), toUs: at(32) })[1]).toMatchObject({ from: 30, to: 38, byHand: false });
  });

  it('put in one that was not found, in its place of the order', () => {
    const pulls = corrected({ atUs: at(20), fromUs: at(20), toUs: at(25), as: 'sweep' });
    expect(pulls.map(({ from, number, byHand }) => [from, number, byHand])).toEqual([
      [10, 1, false],
      [20, 2, true],
      [30, 3, false],
    ]);
  });

  it('pass over a word about a pull that is not there', () => {
    expect(corrected({ atUs: at(25), name: 'lost' }).map(({ name }) => name)).toEqual(['', '']);
  });
});
