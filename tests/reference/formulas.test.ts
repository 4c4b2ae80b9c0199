// Formulas against values that Python computed: 300 random ones, each by a walk of its own over the same expression, in which None is unknown
// (`and`, `or`, `not`, `if` by Kleene's tables) and what has no finite result is None. Powers are left out: libraries differ in the last digit.
import { readFileSync } from 'node:fs';
import { expect, it } from 'vitest';
import { FormulaDouble } from '../channels/formula-doubles.ts';

type Row = [formula: string, inputs: [a: number | null, b: number | null, c: number | null, d: number | null], value: number | null];

const rows = JSON.parse(readFileSync(new URL('../fixtures/formulas-by-python.json', import.meta.url), 'utf8')) as Row[];

it('gives what Python gives', () => {
  for (const [text, inputs, value] of rows) {
    const [a, b, c, d] = inputs.map((input) => input ?? ('missing' as const));
    const found = new FormulaDouble(text).at(1, { a: a ?? 0, b: b ?? 0, c: c ?? 0, d: d ?? 0 });
    const about = `${text} of ${JSON.stringify(inputs)}`;
    if (value === null || typeof found === 'string') expect([about, found]).toEqual([about, value === null ? 'missing' : value]);
    else expect([about, Math.abs(found - value) <= 1e-12 * Math.abs(value)]).toEqual([about, true]);
  }
});

it('tries both: formulas with a value, and formulas without', () => {
  expect(rows.filter(([, , value]) => value === null).length).toBeGreaterThan(50);
  expect(rows.filter(([, , value]) => value !== null).length).toBeGreaterThan(100);
});
