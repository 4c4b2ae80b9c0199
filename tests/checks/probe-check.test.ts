// The probe check: which channel each warmed probe moves, for engines of any size, in any order, with each fault of the wiring.
import { resolve } from 'node:path';
import { beforeAll, describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { badOf, judgePlayed } from '../doubles/judged-run.ts';
import { makeVehicle } from '../doubles/made-vehicle.ts';

const range = (to: number): number[] => Array.from({ length: to }, (_, i) => i + 1);
const warm = (what: 'warm_probe' | 'warm_connector', order: readonly number[], seconds: number) =>
  order.flatMap((n) => [`stage: ${what}, cylinder: ${n}, for: ${seconds} s`, 'stage: rest, for: 6 s']);
const tips = (order: readonly number[]) => ['stage: key_on, for: 4 s, pump: false', ...warm('warm_probe', order, 14)];
const all = (order: readonly number[]) => [...tips(order), ...warm('warm_connector', order, 10)];

let garganey: Vehicle;
beforeAll(async () => {
  garganey = await getVehicle(resolve('bus-definitions/garganey'));
});

describe('probe check', () => {
  it.each([1, 2, 3, 8, 12])('maps every probe of a healthy engine of %i', async (cylinders) => {
    const result = await judgePlayed('probes', makeVehicle({ cylinders }), { stages: tips(range(cylinders)) });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.map(({ cylinder, found }) => [cylinder, found])).toEqual(range(cylinders).map((n) => [n, n]));
  });

  it.each([
    [2, 5],
    [3, 4],
    [1, 6],
  ])('finds cylinders %i and %i swapped, each by the other', async (a, b) => {
    const result = await judgePlayed('probes', garganey, {
      stages: tips(range(6)),
      faults: [`fault: swapped_probes, cylinders: [${a}, ${b}]`],
    });
    const found = result.verdicts.filter(({ ok }) => !ok).map(({ code, cylinder, found: channelOf }) => [code, cylinder, channelOf]);
    expect(found).toEqual([
      ['probe-swapped', a, b],
      ['probe-swapped', b, a],
    ]);
  });

  it('takes the order that it is told', async () => {
    const order = [3, 1, 2, 6, 5, 4];
    const played = { stages: tips(order), faults: ['fault: swapped_probes, cylinders: [2, 5]'] };
    const result = await judgePlayed('probes', garganey, played, { order });
    expect(badOf(result)).toEqual(['probe-swapped 2', 'probe-swapped 5']);
  });

  it.each([
    ['open_probe, cylinder: 6', 'probe-dead 6'],
    ['shorted_probe, cylinder: 6', 'probe-dead 6'],
    ['shorted_probe, cylinder: 1', 'probe-dead 1'],
    ['reversed_probe, cylinder: 2', 'probe-reversed 2'],
    ['extension_crossed, cylinder: 1', 'extension-crossed 1'],
    ['copper_extension, cylinder: 5', 'extension-crossed 5'],
  ])('with connectors warmed behind the tips, names %s', async (fault, found) => {
    const result = await judgePlayed('probes', garganey, { stages: all(range(6)), faults: [`fault: ${fault}`], seed: 5 });
    expect(badOf(result)).toEqual([found]);
  });

  it('goes by the limits of the vehicle file, and tells them', async () => {
    const vehicle = makeVehicle({ cylinders: 2, more: 'checks: { probes: { moved_least: 400 K } }' });
    const result = await judgePlayed('probes', vehicle, { stages: tips([1, 2]) });
    expect(badOf(result)).toEqual(['probe-dead 1', 'probe-dead 2']);
    expect(result.limits?.find(({ limit }) => limit === 'moved_least')).toMatchObject({ value: 400, unit: 'K' });
  });

  it('leaves out cylinders without a probe', async () => {
    const vehicle = makeVehicle({ cylinders: 6, withoutProbe: [2, 5] });
    const result = await judgePlayed('probes', vehicle, { stages: tips([1, 3, 4, 6]) });
    expect(badOf(result)).toEqual([]);
    expect(result.verdicts.map(({ cylinder }) => cylinder)).toEqual([1, 3, 4, 6]);
  });

  it('nothing warmed: every probe is dead, and nothing is found', async () => {
    const result = await judgePlayed('probes', makeVehicle({ cylinders: 3 }), { stages: ['stage: key_on, for: 30 s, pump: false'] });
    expect(badOf(result)).toEqual(['probe-dead 1', 'probe-dead 2', 'probe-dead 3']);
  });

  it('no probes: not judged, with the line that would let it be', async () => {
    const vehicle = makeVehicle({ cylinders: 2, withoutProbe: [1, 2] });
    const result = await judgePlayed('probes', vehicle, { stages: ['stage: key_on, for: 4 s'] });
    expect(result.verdicts).toEqual([]);
    expect(result.notJudged?.[0]?.line).toContain('exhaust_temps');
  });
});
