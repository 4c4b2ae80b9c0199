// Ready for the next pull: back in the window of the first, and never by what isn't known.
import { describe, expect, it } from 'vitest';
import { judgeReadiness, type StartState } from '../../server/dyno/start-state.ts';

const first: StartState = { oil: 90, coolant: 80, intake: 25, fuel: 20, exhaust: 300 };

describe('readiness for the next pull', () => {
  it('is not judged before there was a first pull', () => {
    expect(judgeReadiness(undefined, first)).toEqual({ ready: null, items: [] });
  });

  it.each([
    ['the same again', {}, true],
    ['each at the edge of its window', { oil: 95, coolant: 75, intake: 30, fuel: 15, exhaust: 330 }, true],
    ['oil too hot by a tenth', { oil: 95.1 }, false],
    ['coolant too cold', { coolant: 74.9 }, false],
    ['exhaust not cooled down', { exhaust: 331 }, false],
    ['oil lost its sensor', { oil: null }, null],
    ['oil lost its sensor and intake air is too hot', { oil: null, intake: 40 }, false],
  ])('%s', (_, change, ready) => {
    expect(judgeReadiness(first, { ...first, ...change }).ready).toBe(ready);
  });

  it('says of each what is wanted, and leaves out what the first pull did not know', () => {
    const { items } = judgeReadiness({ ...first, fuel: null }, { ...first, oil: 97 });
    expect(items.map(({ what, ok }) => [what, ok])).toEqual([
      ['oil', false],
      ['coolant', true],
      ['intake', true],
      ['exhaust', true],
    ]);
    expect(items[0]).toEqual({ what: 'oil', now: 97, low: 85, high: 95, ok: false });
  });
});
