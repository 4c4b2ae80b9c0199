// What a number beside a plot is made of: the mean of a stretch, and the difference between two cursors; expected by hand.
import { describe, expect, it } from 'vitest';
import { explainBetween, explainMean, type SampleFigureParts } from '../../server/live/sample-figures.ts';

const ends = new Map([
  [2_000_000, { value: 410.5, unit: 'degC', quality: 'ok' as const }],
  [3_500_000, { value: 398.25, unit: 'degC', quality: 'out-of-range' as const }],
  [9_000_000, { value: null, unit: 'degC', quality: 'stale' as const }],
]);
const means = new Map([
  [2990, 400],
  [3990, 431.5],
]);
const parts: SampleFigureParts = {
  valueAt: async (session, channel, atUs) => (session === 4 && channel === 'egt' ? ends.get(atUs) : undefined),
  startUsOf: async (session) => (session === 4 ? 1_000_000 : undefined),
  statistics: async (_session, { channels, axisFrom }) => {
    const mean = means.get(axisFrom ?? 0) ?? null;
    const at = { lowAt: null, highAt: null, p5At: null, p50At: null, p95At: null };
    return { channel: channels, unit: 'degC', ok: 3, outOfRange: 1, bad: 0, low: 1, high: 2, mean, p5: 1, p50: 1, p95: 2, ...at };
  },
};

describe('the difference between two cursors', () => {
  it('is the later value less the earlier one, in kelvin of temperatures, and leads to both samples', async () => {
    const figure = await explainBetween(parts, ['4', 'egt', '2000000', '3500000']);
    expect(figure).toMatchObject({ title: 'egt, B − A', value: -12.25, unit: 'K', isDifference: true });
    expect(figure?.worked).toEqual(['398.250 − 410.500 = −12.250 K']);
    expect(figure?.doubts).toEqual(['at B it is out of range']);
    expect(figure?.stretches).toMatchObject([{ session: 4, fromUs: 2_000_000, toUs: 3_500_000, what: 'session 4, 1.000 s to 2.500 s' }]);
    expect(figure?.channels.map(({ atUs }) => atUs)).toEqual([3_500_000, 2_000_000]);
  });

  it('has no number where one end has none, and says which', async () => {
    expect(await explainBetween(parts, ['4', 'egt', '2000000', '9000000'])).toMatchObject({
      value: null,
      worked: [],
      doubts: ['at B there is no number: stale'],
    });
  });

  it('by engine speed is between the means about both cursors, each a figure of its own', async () => {
    const key = ['4', 'egt', '1000000', '9000000', 'engine_speed', '2990', '3010', '3990', '4010'];
    const figure = await explainBetween(parts, key);
    expect(figure).toMatchObject({ value: 31.5, unit: 'K', worked: ['431.500 − 400.000 = 31.500 K'] });
    expect(figure?.figures.map(({ figure: of, value }) => [of, value])).toEqual([
      ['samples/4/egt/1000000/9000000/engine_speed/3990/4010', 431.5],
      ['samples/4/egt/1000000/9000000/engine_speed/2990/3010', 400],
    ]);
    for (const { figure: of } of figure?.figures ?? [])
      expect(await explainMean(parts, of.split('/').slice(1))).toMatchObject({ title: 'Mean of egt' });
  });

  it.each([[['4', 'nothing', '2000000', '3500000']], [['5', 'egt', '2000000', '3500000']], [['4', 'egt', 'x', '3500000']], [['4']]])(
    'is none of %j',
    async (key) => {
      expect(await explainBetween(parts, key)).toBeUndefined();
    },
  );
});
