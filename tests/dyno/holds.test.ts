// What a steady hold says of each cylinder while its probe still follows: worked by hand for a reading that rises evenly.
import { describe, expect, it } from 'vitest';
import type { Vehicle } from '../../server/definitions/vehicle.ts';
import { readHolds } from '../../server/dyno/holds.ts';
import { studyDistribution } from '../../server/dyno/study.ts';
import { drawn, seriesOf } from '../doubles/drawn-series.ts';

type Lag = { low: number; high: number };

const vehicleOf = (lags: (Lag | undefined)[]) =>
  ({
    name: 'Holds',
    engine: {
      roles: {},
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
