// A recording as series by channel.
import { describe, expect, it } from 'vitest';
import { collectSeries } from '../../server/collect-series.ts';
import { batchOf, derived, ids, madeEngineVehicle } from './made-engine.ts';

const frames = (...times: number[]) => batchOf(times.map((t) => ({ timeUs: t, id: ids.engine, words: [t / 1000, 0, 0, 0] })));

describe('series of a recording', () => {
  it('hold every sample of every channel, derived and stale ones too', async () => {
    const vehicle = madeEngineVehicle({ derived: [derived('double_speed', 'engine_speed * 2', 'rpm')] });
    const set = await collectSeries([frames(5000, 20_000), frames(200_000)], vehicle);
    expect([set.startUs, set.endUs, set.frames]).toEqual([5000, 200_000, 3]);
    expect(set.get('engine_speed')).toEqual({
      channel: 'engine_speed',
      unit: 'rpm',
      timeUs: Float64Array.of(5000, 20_000, 120_000, 200_000),
      value: Float64Array.of(5, 20, 0, 200),
      quality: Uint8Array.of(0, 0, 4, 0),
    });
    expect(set.get('double_speed')?.timeUs).toEqual(Float64Array.of(10_000, 20_000, 120_000, 200_000));
    expect(set.get('oil_pressure')).toBeUndefined();
    expect(set.get('nothing')).toBeUndefined();
  });

  it('take batches as they come, and none at all', async () => {
    async function* coming() {
      for (let i = 0; i < 500; i++) yield frames(i * 10_000);
    }
    const set = await collectSeries(coming(), madeEngineVehicle());
    expect(set.get('engine_speed')?.timeUs).toHaveLength(500);
    expect(await collectSeries([], madeEngineVehicle())).toMatchObject({ frames: 0, startUs: 0, endUs: 0 });
  });
});
