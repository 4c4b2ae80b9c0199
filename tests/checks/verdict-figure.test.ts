// The number of a verdict explains itself: limits that exist, a stretch around its moment, the channel as of then.
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { toLimitKey } from '../../server/checks/check-limits.ts';
import { usualLimits } from '../../server/checks/usual-limits.ts';
import { explainVerdict, type JudgedRun } from '../../server/checks/verdict-figure.ts';

const limits = Object.values(usualLimits).flatMap((group) =>
  Object.entries(group as Record<string, { usual: number; what: string; source: string }>).map(([name, { usual, what, source }]) => {
    const { key, unit, factor } = toLimitKey(name);
    return { limit: key, value: usual / factor, unit, what, source };
  }),
);
const run: JudgedRun = {
  check: 'first-start',
  called: 'run 3 of the first-start check',
  limits,
  seconds: 40,
  session: 9,
  startUs: 5_000_000,
};
const oil = { code: 'oil-pressure', ok: false, channel: 'oil_pressure', measured: 42, limit: 70, at: 12.5, say: 'oil pressure is 42 kPa' };

describe('the number of a verdict', () => {
  it('says what was measured, by which limits from which source, when, and leads to the channel as of then', () => {
    const figure = explainVerdict(oil, run);
    expect(figure).toMatchObject({ value: 42, unit: 'kPa', source: 'common practice, no source' });
    expect(figure?.worked[0]).toBe('measured 42.00 kPa, limit 70.00: wrong');
    expect(figure?.worked).toContain('oil pressure once the engine runs, at least: 70 kPa (common practice, no source)');
    expect(figure?.channels).toEqual([{ session: 9, channel: 'oil_pressure', atUs: 17_500_000, what: 'at 12.5 s of the check' }]);
    expect(figure?.stretches).toMatchObject([{ session: 9, fromUs: 14_500_000, toUs: 20_500_000 }]);
  });

  it('without a moment is of the whole check; without a recording there is no chain to lead to', () => {
    const { at: _, ...timeless } = oil;
    const figure = explainVerdict(timeless, { ...run, session: null });
    expect(figure?.stretches).toMatchObject([{ session: null, fromUs: 5_000_000, toUs: 45_000_000 }]);
    expect(figure?.channels).toMatchObject([{ session: null, atUs: 25_000_000 }]);
  });

  it('is in the unit that the check gives, a difference where that is K', () => {
    expect(explainVerdict({ ...oil, unit: 'psi' }, run)).toMatchObject({ unit: 'psi', isDifference: false });
    expect(explainVerdict({ ...oil, code: 'probe-drift', unit: 'K' }, run)).toMatchObject({ unit: 'K', isDifference: true });
  });

  it('without a number says so', () => {
    expect(explainVerdict({ ...oil, measured: null }, run)).toMatchObject({ value: null, doubts: [oil.say, 'it gave no number'] });
  });

  it('of a rule that counts frames says what is counted, with its evidence, and leads to a channel of the frame', () => {
    const late = {
      code: 'frame-late',
      ok: true,
      bus: 'engine',
      device: 'box',
      frame: 'pressures',
      measured: 19.999,
      limit: 20,
      say: 'pressures every 20.0 ms, longest gap 20.3 ms',
      evidence: { periodMs: 20, jitter99Ms: 0.28199, longestAt: 7.003 },
    };
    const figure = explainVerdict(late, { ...run, channelsCounted: ({ frame }) => [`first_of_${frame}`] });
    expect(figure).toMatchObject({ title: `pressures in ${run.called}, rule frame-late`, value: 19.999, unit: 'ms', isDifference: false });
    expect(figure?.worked).toEqual([
      'measured 20.00 ms, limit 20.00: right',
      'period ms: 20',
      'jitter 99 ms: 0.28199',
      'longest at: 7.003',
    ]);
    expect(figure?.channels).toMatchObject([{ session: 9, channel: 'first_of_pressures', atUs: 25_000_000 }]);
  });

  it('of a bus load is in percent, by the limit in force', () => {
    const figure = explainVerdict({ code: 'bus-load', ok: true, bus: 'engine', measured: 31, limit: 70, say: 'load' }, run);
    expect(figure).toMatchObject({ title: `Bus engine in ${run.called}, rule bus-load`, value: 31, unit: '%' });
    expect(figure?.worked).toContain('load of a bus, at most: 70 % (common practice, no source)');
    expect(figure?.worked[1]).toMatch(/^load of a bus, at most: 70 %/);
  });

  it('of a rule that counts nothing is not explained', () => {
    expect(explainVerdict({ code: 'wiggle', ok: true, measured: 31, say: 'nothing moved' }, run)).toBeUndefined();
  });

  it('names only limits that the checks have', () => {
    const text = ['verdict-figure', 'counted-measures']
      .map((name) => readFileSync(new URL(`../../server/checks/${name}.ts`, import.meta.url), 'utf8'))
      .join();
    const named = [...text.matchAll(/limits: \[([^\]]*)\]/g)].flatMap(([, list = '']) =>
      [...list.matchAll(/'([^']+)'/g)].map(([, key]) => key),
    );
    expect(named.length).toBeGreaterThan(15);
    expect(named.filter((key) => !limits.some(({ limit }) => limit === key))).toEqual([]);
  });
});
