// What a steady hold says of each cylinder while its probe still follows: worked by hand for a reading that rises evenly.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { type Hold, readHolds } from '../../server/dyno/holds.ts';
import { studyDistribution } from '../../server/dyno/study.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

type Lag = { low: number; high: number };

const vehicleOf = (lags: (Lag | undefined)[], roles = {}) =>
  ({
    name: 'Holds',
    engine: {
      roles,
      cylinders: lags.length,
      banks: [],
      exhaustTemps: lags.map((lagS, i) => ({ cylinder: i + 1, channel: `egt_${i + 1}`, place: 'port', ...(lagS && { lagS }) })),
    },
    injectorSets: [],
  }) as unknown as Vehicle;

/** One hold of 8 s at 20 Hz; `rises`: K/s of each probe, from 600 °C. */
function readOne(rises: number[], lags: (Lag | undefined)[]) {
  const series = rises.map((rise, i) => drawn(`egt_${i + 1}`, 'degC', 8, (s) => 600 + rise * s, 20));
  const pull = { kind: 'hold', from: 0, to: 8, speedFrom: 4000, speedTo: 4000, complete: true } as const;
  return readHolds(1, seriesOf(series, 8), vehicleOf(lags), [pull]);
}

describe('a reading of a hold', () => {
  it('is the median of the last three seconds, and what the probe still has to go by its lag', () => {
    // Read from 4.8 to 7.8 s, middle 6.3 s: 600 + 3 × 6.3 = 618.9 °C, and 1.0 s × 3 K/s = 3 K to go, known to 0.2 s × 3 K/s = 0.6 K.
    const [hold] = readOne(
      [3, 0],
      [
        { low: 0.8, high: 1.2 },
        { low: 0.8, high: 1.2 },
      ],
    );
    expect(hold?.temps.get(1)).toBeCloseTo(621.9, 1);
    expect(hold?.settling?.get(1)?.openK).toBeCloseTo(0.6, 2);
    expect(hold?.temps.get(2)).toBeCloseTo(600, 6);
  });

  it('stays as it is where nothing says how the probe lags, and how far off it may be is said', () => {
    const holds = readOne([3, 0, 0], [undefined, undefined, undefined]);
    expect(holds[0]?.temps.get(1)).toBeCloseTo(618.9, 1);
    // 1.5 s × 3 K/s.
    expect(holds[0]?.settling?.get(1)?.openK).toBeCloseTo(4.5, 2);
    const { notJudged, holds: told } = studyDistribution(holds);
    expect(told[0]?.openK).toBeCloseTo(4.5, 1);
    expect(notJudged.map(({ what }) => what)).toContain('where probes settle in holds as short as these, to better than 4.5 K');
  });

  it('is none of a probe that drifts by 5 K/s and more', () => {
    const [hold] = readOne([5.2, 4.8], [undefined, undefined]);
    expect([...(hold?.temps.keys() ?? [])]).toEqual([2]);
  });
});

describe('a sweep', () => {
  /** 2,000 to 6,000 rpm at 400 rpm/s, from 0 to 10 s. */
  const pull = { kind: 'sweep', from: 0, to: 10, speedFrom: 2000, speedTo: 6000, complete: true } as const;
  const speed = drawn('rpm', 'rpm', 10, (s) => 2000 + 400 * s, 20);

  it('is read while it passes 85 to 95 % of its highest speed, with what each probe lags behind', () => {
    const lag = { low: 0.8, high: 1.2 };
    const vehicle = vehicleOf([lag, lag], { speed: 'rpm' });
    const temps = [1, 2].map((cylinder) => drawn(`egt_${cylinder}`, 'degC', 10, (s) => 600 + 20 * s, 20));
    const [sweep] = readHolds(1, seriesOf([speed, ...temps], 10), vehicle, [pull]);
    // 5,100 rpm at 7.75 s, 5,700 at 9.25 s: 770 °C at 8.5 s, and 1.0 s × 20 K/s = 20 K to go, known to 0.2 s × 20 K/s = 4 K.
    expect(sweep).toMatchObject({ isSweep: true, readUs: { from: 7_750_000, to: 9_250_000 } });
    expect(sweep?.speedRpm).toBeCloseTo(5400, 6);
    expect(sweep?.temps.get(1)).toBeCloseTo(790, 6);
    expect(sweep?.settling?.get(1)?.openK).toBeCloseTo(4, 6);
  });

  it('stands in where there is no hold, and nothing that the lag of a probe can make is called a difference', () => {
    const vehicle = vehicleOf([1, 2, 3, 4, 5, 6].map(() => undefined));
    // Probe 3 reads 20 K high in every sweep, and its lag is known to 25 K.
    const reading = (isSweep: boolean, session: number): Hold => ({
      session,
      vehicle,
      from: 0,
      to: 10,
      ...(isSweep && { isSweep }),
      speedRpm: 5400,
      load: 100,
      temps: new Map([1, 2, 3, 4, 5, 6].map((cylinder) => [cylinder, cylinder === 3 && isSweep ? 720 : 700])),
      settling: new Map([1, 2, 3, 4, 5, 6].map((cylinder) => [cylinder, { slopeKPerS: 50, addedK: 45, openK: 25 }])),
      off: new Set<string>(),
      share: new Map<string, number>(),
    });
    const sweeps = [1, 2, 3].map((session) => reading(true, session));
    const study = studyDistribution(sweeps);
    expect(study.holds.map(({ kind }) => kind)).toEqual(['sweep', 'sweep', 'sweep']);
    expect(study.cylinders.filter(({ differs }) => differs)).toEqual([]);
    expect(study.notJudged.map(({ what }) => what)).toContain(
      'differences of single cylinders below 25 K: these are sweeps, and probes lag',
    );
    const withHold = studyDistribution([...sweeps, reading(false, 4)]);
    expect(withHold.holds.map(({ kind, session }) => [kind, session])).toEqual([['hold', 4]]);
  });

  it('that was given up early is not read', () => {
    expect(readHolds(1, seriesOf([speed], 10), vehicleOf([undefined, undefined]), [{ ...pull, complete: false }])).toEqual([]);
  });
});
