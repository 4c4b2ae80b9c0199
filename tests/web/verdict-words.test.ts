// Verdicts on a page: their sentences and numbers in the units that this browser shows.
import { afterEach, describe, expect, it } from 'vitest';
import type { VerdictView } from '../../server/contract/checks.ts';
import { toMeasured, toSaid } from '../../web/checks/verdict-words.ts';
import { unitChoices } from '../../web/shell/units.ts';

const choose = (temperature: string, pressure: string) => {
  unitChoices.temperature.value = temperature;
  unitChoices.pressure.value = pressure;
};
afterEach(() => choose('declared', 'declared'));

const verdict = (sayParts: VerdictView['sayParts'], say = 'as the check wrote it') =>
  ({ code: 'c', ok: false, say, sayParts }) as VerdictView;

describe('what a verdict says', () => {
  const oil = verdict(['oil pressure is ', { value: 206.84, unit: 'kPa', digits: 0 }, ' 3 s after the engine runs']);

  it('stays in the units of the files unless others were chosen', () => {
    expect(toSaid(oil)).toBe('oil pressure is 207 kPa 3 s after the engine runs');
    expect(toMeasured(206.8, 'kPa')).toBe('206.8 kPa');
    expect(toMeasured(0.03, undefined)).toBe('0.03');
    expect(toMeasured('open', 'kPa')).toBe('open');
  });

  it('follows the choice: 1 psi is 6.894757 kPa (NIST SP 811)', () => {
    choose('degF', 'psi');
    expect(toSaid(oil)).toMatch(/^oil pressure is 30(\.0)? psi 3 s after/);
    expect(toMeasured(206.84, 'kPa')).toMatch(/^30(\.0)? psi$/);
  });

  it('takes K for a difference: 10 K are 18 °F, and 100 °C are 212 °F', () => {
    choose('degF', 'declared');
    expect(toSaid(verdict([{ value: 10, unit: 'K', digits: 0 }, ' behind']))).toBe('18 °F behind');
    expect(toMeasured(100, 'degC')).toBe('212 °F');
  });

  it('shows an old run, which has no parts, as it was written', () => {
    expect(toSaid(verdict(undefined))).toBe('as the check wrote it');
  });
});
