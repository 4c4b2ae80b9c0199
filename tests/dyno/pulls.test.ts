// Pulls and holds found in simulated sessions that also hold what is none: idle, stabs, ramps at part throttle, coasting, a lifted pull.
import { describe, expect, it } from 'vitest';
import { collectSeries } from '../../server/collect-series.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { findPulls, type Pull } from '../../server/dyno/pulls.ts';
import { runScenario } from '../doubles/simulated-run.ts';

const vehicle = await getVehicle('bus-definitions/garganey');

async function pullsOf(stages: string[], seed: number): Promise<Pull[]> {
  const text = `scenario: evening\nseed: ${seed}\nstart: hot\nstages:\n${stages.map((stage) => `  - { ${stage} }\n`).join('')}`;
  const series = await collectSeries([runScenario(text, vehicle).batch], vehicle);
  return findPulls(series, vehicle).pulls;
}

const begin = ['stage: key_on, for: 3 s', 'stage: start, for: 6 s'];

describe('pulls and holds', () => {
  it.each([1, 2, 3])('are found where they were driven, and nowhere else (seed %i)', async (seed) => {
    const pulls = await pullsOf(
      [
        ...begin,
        'stage: idle, for: 8 s',
        'stage: hold, for: 10 s, speed: 4000 rpm, load: 60 %',
        'stage: cool_down, for: 8 s, speed: 1800 rpm',
        'stage: stab, for: 3 s',
        'stage: idle, for: 5 s',
        'stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s',
        'stage: coast, for: 6 s',
        'stage: cool_down, for: 8 s, speed: 1800 rpm',
        'stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s',
        'stage: cool_down, for: 8 s, speed: 1800 rpm',
      ],
      seed,
    );
    expect(pulls.map(({ kind, complete }) => [kind, complete])).toEqual([
      ['hold', true],
      ['sweep', true],
      ['sweep', true],
    ]);
    for (const sweep of pulls.filter(({ kind }) => kind === 'sweep')) {
      expect(sweep.speedTo).toBeGreaterThan(6450);
      expect(sweep.speedFrom).toBeLessThan(3250);
      // 3,600 rpm at 400 rpm/s take 9 s.
      expect(sweep.to - sweep.from).toBeGreaterThan(8);
      expect(sweep.to - sweep.from).toBeLessThan(10.5);
    }
  });

  it('tells a lifted pull from the whole ones', async () => {
    const pull = 'stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s';
    const rest = 'stage: cool_down, for: 8 s, speed: 1800 rpm';
    const pulls = await pullsOf(
      [...begin, rest, pull, rest, 'stage: abandon, from: 3000 rpm, to: 6600 rpm, lift: 4800 rpm, rate: 400 rpm/s', rest, pull, rest],
      4,
    );
    expect(pulls.filter(({ kind }) => kind === 'sweep').map(({ complete }) => complete)).toEqual([true, false, true]);
  });

  it('finds nothing in idle and warm-up', async () => {
    expect(await pullsOf([...begin, 'stage: idle, for: 20 s', 'stage: stab, for: 3 s', 'stage: idle, for: 10 s'], 5)).toEqual([]);
  });
});
