// A prime in a recording: a pump that was left disabled is not judged, one that was switched on and brought nothing fails; by engine.
import { describe, expect, it } from 'vitest';
import { badOf, judgePlayed } from '../doubles/judged-run.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const before = [
  'stage: key_on, for: 5 s, pump: false',
  ...['fan', 'ignition', 'lights'].flatMap((load) => [`stage: switch, load: ${load}`, 'stage: rest, for: 3 s']),
  'stage: throttle_sweep, for: 6 s',
  'stage: rest, for: 3 s',
];

describe('a key-on recording without pressure in any rail', () => {
  it.each([1, 2, 6, 12, 16])('is not judged where the pump stayed disabled, with %i cylinders', async (cylinders) => {
    const result = await judgePlayed('key-on', makeVehicle({ cylinders, plenum: cylinders > 1 }), { stages: before });
    expect(badOf(result)).toEqual([]);
    const primes = result.notJudged?.filter(({ what }) => what.startsWith('the prime of'));
    expect(primes?.map(({ what }) => what)).toEqual(
      (cylinders > 1 ? ['port', 'plenum'] : ['port']).map(
        (set) => `the prime of ${set} (no rail rose: its pump was left disabled, or never ran)`,
      ),
    );
    expect(primes?.[0]?.line).toBe('enable the pump, then key on');
  });

  it('fails where something ran behind the sweep, as a pump does, and no fuel came', async () => {
    const stages = [...before, 'stage: prime, for: 10 s', 'stage: rest, for: 2 s'];
    const result = await judgePlayed('key-on', makeVehicle(), { stages, faults: ['fault: no_fuel, set: port'] });
    expect(badOf(result)).toEqual(['prime port']);
  });

  it('fails for the set that did not rise where another did', async () => {
    const stages = [...before, 'stage: prime, for: 6 s'];
    const result = await judgePlayed('key-on', makeVehicle({ plenum: true }), { stages, faults: ['fault: no_fuel, set: plenum'] });
    expect(badOf(result)).toEqual(['prime plenum']);
  });
});
