// Formulas: every documented example, operators, three-valued logic, units, state, and problems with their exact places.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { checkFormula, formulaChannels } from '../../server/channels/formula.ts';
import { formulaFunctions } from '../../server/channels/formula-functions.ts';
import { FormulaDouble, type Given, resultOf, scope } from './formula-doubles.ts';

const page = readFileSync(join(import.meta.dirname, '../../docs/formulas.md'), 'utf8');

interface Example {
  signature: string;
  text: string;
  inputs: string;
  result: string;
}

const examples: Example[] = [...page.matchAll(/^\| `([^`]+)` \| [^|]+ \| `([^`]+)` \| ([^|]*) \| ([^|]+) \|$/gm)].map((row) => ({
  signature: row[1] as string,
  text: row[2] as string,
  inputs: (row[3] as string).trim(),
  result: (row[4] as string).trim(),
}));

/** `a=1→2 b=4`: a list of values by name. */
function seriesOf(inputs: string): Map<string, number[]> {
  return new Map(
    inputs.split(' ').map((one) => {
      const [name, values] = one.split('=') as [string, string];
      return [name, values.split('→').map(Number)];
    }),
  );
}

describe('the documented examples', () => {
  it('show every function as it is written, and no other', () => {
    expect(examples.map((example) => example.signature).sort()).toEqual([...formulaFunctions.values()].map((row) => row.signature).sort());
  });

  it.each(examples)('$text with $inputs gives $result', ({ text, inputs, result }) => {
    expect(checkFormula(text, scope)).toEqual([]);
    const double = new FormulaDouble(text);
    const series = seriesOf(inputs);
    const steps = Math.max(...[...series.values()].map((values) => values.length));
    let last: unknown;
    for (let i = 0; i < steps; i++) {
      const given = [...series].flatMap(([name, values]) => (values[i] === undefined ? [] : [[name, values[i] as number]]));
      last = double.at(i / 10, Object.fromEntries(given));
    }
    const decimals = result.includes('.') ? result.length - result.indexOf('.') - 1 : 9;
    expect(last).toBeCloseTo(Number(result), Math.min(decimals, 9));
  });
});

describe('operators', () => {
  it.each([
    ['1 + 2 * 3', 7],
    ['(1 + 2) * 3', 9],
    ['2 ^ 3 ^ 2', 512],
    ['-2 ^ 2', -4],
    ['(-2) ^ 2', 4],
    ['2 ^ -1', 0.5],
    ['-7 % 3', -1],
    ['10 - 4 - 3', 3],
    ['1e3 + .5', 1000.5],
    ['+4', 4],
    ['not 0', 1],
    ['not 1 > 2', 1],
    ['(not 1) > 2', 0],
    ['not 1 > 2 and 0', 0],
    ['1 or 0 and 0', 1],
    ['3 == 3 and 3 != 4', 1],
    ['1 < 2 or 5 / 0 > 1', 1],
    ['2 <= 2 and 2 >= 2 and not (2 < 2) and not (2 > 2)', 1],
  ])('%s is %d', (text, result) => {
    expect(checkFormula(text, scope)).toEqual([]);
    expect(resultOf(text)).toBe(result);
  });

  it.each(['1 / 0', '0 / 0', '5 % 0', 'sqrt(-1)', 'log(0)', '0 ^ -1', '1e308 * 10', '(-8) ^ 0.5', 'clamp(1, 3, 2)', 'thermocouple_k(60)'])(
    '%s has no result',
    (text) => {
      expect(resultOf(text)).toBe('missing');
    },
  );
});

describe('bad inputs', () => {
  it.each([
    ['a + b', { a: 'fault', b: 1 }, 'fault'],
    ['a + b', { a: 'fault', b: 'stale' }, 'stale'],
    ['a / b', { a: 'fault', b: 0 }, 'fault'],
    ['1 / b + a', { a: 'stale', b: 0 }, 'stale'],
    ['max(a, b)', { a: 'missing', b: 3 }, 'missing'],
    ['-a', { a: 'stale' }, 'stale'],
    ['a > 3', { a: 'fault' }, 'fault'],
    ['if(a > 0, b, c)', { a: 1, b: 5, c: 'fault' }, 5],
    ['if(a > 0, b, c)', { a: 0, b: 'fault', c: 6 }, 6],
    ['if(a > 0, b, c)', { a: 1, b: 'fault', c: 6 }, 'fault'],
    ['if(a > 0, b, c)', { a: 'stale', b: 5, c: 6 }, 'stale'],
    ['is_good(a)', { a: 'stale' }, 0],
    ['is_good(a) and b', { a: 1, b: 1 }, 1],
    ['not (is_good(a) and a)', { a: 'stale' }, 1],
  ] as [string, Record<string, Given>, unknown][])('%s with %j is %s', (text, inputs, result) => {
    expect(resultOf(text, inputs)).toBe(result);
  });

  it('uses an input out of range, and says so', () => {
    const double = new FormulaDouble('a + 1');
    expect(double.at(0, { a: { value: 5, quality: 'out-of-range' } })).toBe(6);
    expect(double.quality).toBe('out-of-range');
  });
});

describe("Kleene's three-valued logic", () => {
  const given = { T: 1, F: 0, U: 'fault' } as const;
  const read = (result: unknown) => (typeof result === 'string' ? 'U' : result === 0 ? 'F' : 'T');
  type T = 'T' | 'F' | 'U';
  const table: [T, T, and: T, or: T][] = [
    ['T', 'T', 'T', 'T'],
    ['T', 'F', 'F', 'T'],
    ['T', 'U', 'U', 'T'],
    ['F', 'T', 'F', 'T'],
    ['F', 'F', 'F', 'F'],
    ['F', 'U', 'F', 'U'],
    ['U', 'T', 'U', 'T'],
    ['U', 'F', 'F', 'U'],
    ['U', 'U', 'U', 'U'],
  ];
  it.each(table)('%s with %s: and %s, or %s', (left, right, and, or) => {
    expect(read(resultOf('a and b', { a: given[left], b: given[right] }))).toBe(and);
    expect(read(resultOf('a or b', { a: given[left], b: given[right] }))).toBe(or);
  });
  it.each([
    ['T', 'F'],
    ['F', 'T'],
    ['U', 'U'],
  ] as const)('not %s is %s', (of, result) => {
    expect(read(resultOf('not a', { a: given[of] }))).toBe(result);
  });
});

describe('functions that look back', () => {
  it('give no slope before half of the window, and none from one sample', () => {
    const double = new FormulaDouble('rate(a, 1 s)');
    expect([0, 0.2, 0.4].map((t) => double.at(t, { a: t }))).toEqual(['missing', 'missing', 'missing']);
    expect(double.at(0.5, { a: 0.5 })).toBeCloseTo(1, 12);
  });

  it('forget samples older than the window', () => {
    const double = new FormulaDouble('rate(a, 1 s)');
    for (let i = 0; i <= 20; i++) double.at(i / 10, { a: 100 });
    for (let i = 21; i <= 31; i++) double.at(i / 10, { a: 100 + (i - 21) });
    expect(double.at(3.1, { a: 110 })).toBeCloseTo(10, 9);
  });

  it.each(['rate(a, 0.2 s)', 'smooth(a, 1 s)', 'hold(a, 5 s)', 'time_while(a > 0)', 'lag_corrected(a, 1 s, 0.2 s)'])(
    '%s forgets over a bad input',
    (text) => {
      const double = new FormulaDouble(text);
      const fresh = new FormulaDouble(text);
      for (let i = 0; i < 5; i++) double.at(i / 10, { a: 50 + i });
      expect(double.at(0.5, { a: 'stale' })).toBe('stale');
      for (let i = 6; i < 10; i++) expect(double.at(i / 10, { a: i })).toEqual(fresh.at(i / 10, { a: i }));
    },
  );

  it('go by the time of the samples, not by how often they are asked', () => {
    const once = new FormulaDouble('smooth(a, 1 s) + b');
    const often = new FormulaDouble('smooth(a, 1 s) + b');
    for (let i = 0; i < 10; i++) {
      once.at(i, { a: i * i, b: 0 });
      often.at(i, { a: i * i, b: 0 });
      often.at(i + 0.3, { b: 0 });
      often.at(i + 0.6, { b: 0 });
    }
    expect(often.at(9.9, { b: 0 })).toBe(once.at(9.9, { b: 0 }));
  });

  it('come back from a saved state bit for bit', () => {
    const text = 'rate(a, 0.5 s) + smooth(a, 0.3 s) * hold(a, 0.4 s) - time_while(a > -1)';
    const whole = new FormulaDouble(text);
    const second = new FormulaDouble(text);
    const value = (i: number) => Math.sin(i) * (i % 3 === 0 ? -0 : 1.1);
    for (let i = 0; i < 20; i++) whole.at(i / 20, { a: value(i) });
    second.formula.restore(JSON.parse(JSON.stringify(whole.formula.save())));
    for (let i = 20; i < 40; i++) expect(second.at(i / 20, { a: value(i) })).toBe(whole.at(i / 20, { a: value(i) }));
  });
});

describe('problems', () => {
  it.each([
    ['', 0, 0, 'FORMULA_EMPTY'],
    ['   ', 0, 0, 'FORMULA_EMPTY'],
    ['a + zz', 4, 2, 'FORMULA_NAME_UNKNOWN'],
    ['nn + a * bogus', 0, 2, 'FORMULA_NAME_UNKNOWN'],
    ['maxx(a, b)', 0, 4, 'FORMULA_FUNCTION_UNKNOWN'],
    ['1 + clamp(a)', 4, 8, 'FORMULA_ARGUMENTS'],
    ['max', 0, 3, 'FORMULA_NAME_UNKNOWN'],
    ['curve + 1', 0, 5, 'FORMULA_NAME_UNKNOWN'],
    ['interpolate(a, b)', 12, 1, 'FORMULA_NAME_UNKNOWN'],
    ['interpolate(curved, b)', 12, 6, 'FORMULA_NAME_UNKNOWN'],
    ['in(p, kpa)', 6, 3, 'FORMULA_UNIT_UNKNOWN'],
    ['in(p, 3)', 6, 1, 'FORMULA_UNIT_UNKNOWN'],
    ['rate(a, b)', 8, 1, 'FORMULA_ARGUMENTS'],
    ['rate(a, 0)', 8, 1, 'FORMULA_ARGUMENTS'],
    ['smooth(a, 61 s)', 10, 4, 'FORMULA_ARGUMENTS'],
    ['smooth(a, 3 kPa)', 10, 5, 'FORMULA_ARGUMENTS'],
    ['a +', 3, 0, 'FORMULA_SYNTAX'],
    ['(a + b', 6, 0, 'FORMULA_SYNTAX'],
    ['a + b)', 5, 1, 'FORMULA_SYNTAX'],
    ['a < b < c', 0, 9, 'FORMULA_SYNTAX'],
    ['a b', 2, 1, 'FORMULA_NOT_ALLOWED'],
    ['a;', 1, 1, 'FORMULA_SYNTAX'],
    ['a,', 1, 1, 'FORMULA_SYNTAX'],
    [',a', 0, 1, 'FORMULA_SYNTAX'],
    ['a && b', 2, 2, 'FORMULA_NOT_ALLOWED'],
    ['a = b', 2, 1, 'FORMULA_NOT_ALLOWED'],
    ['a ? b : c', 0, 9, 'FORMULA_NOT_ALLOWED'],
    ['a.b', 0, 3, 'FORMULA_NOT_ALLOWED'],
    ['a[0]', 0, 4, 'FORMULA_NOT_ALLOWED'],
    ['"a"', 0, 3, 'FORMULA_NOT_ALLOWED'],
    ['this', 0, 4, 'FORMULA_NOT_ALLOWED'],
    ['[a]', 0, 3, 'FORMULA_NOT_ALLOWED'],
    ['max(a)(b)', 0, 9, 'FORMULA_NOT_ALLOWED'],
    ['3x', 1, 1, 'FORMULA_SYNTAX'],
    ['p + q', 0, 5, 'FORMULA_UNITS_DIFFER'],
    ['a * (p < q)', 5, 5, 'FORMULA_UNITS_DIFFER'],
    ['p > 3 bar', 0, 9, 'FORMULA_UNITS_DIFFER'],
    ['max(p, q)', 0, 9, 'FORMULA_UNITS_DIFFER'],
    ['p + n', 0, 5, 'FORMULA_UNITS_DIFFER'],
    ['in(p, rpm)', 0, 10, 'FORMULA_UNITS_DIFFER'],
    ['in(a, kPa)', 0, 10, 'FORMULA_UNITS_DIFFER'],
    ['f - t', 0, 5, 'FORMULA_UNITS_DIFFER'],
    ['k - t', 0, 5, 'FORMULA_UNITS_DIFFER'],
    ['in(t - u, degF)', 0, 15, 'FORMULA_UNITS_DIFFER'],
    ['thermocouple_k(uv)', 15, 2, 'FORMULA_UNITS_DIFFER'],
  ] as const)('%j has one at %d, %d long: %s', (text, offset, length, code) => {
    const [problem] = checkFormula(text, scope);
    expect(problem).toMatchObject({ offset, length, code });
    expect(problem?.say.length).toBeGreaterThan(3);
    expect(problem?.fix.length).toBeGreaterThan(3);
  });

  it('are all reported at once, in the order of the text, with the nearest known name', () => {
    const wide = {
      channels: new Map([
        ['engine_speed', 'rpm'],
        ['oil_pressure', 'kPa'],
      ]),
      tables: new Map(),
    };
    expect(checkFormula('engine_sped / oil_presure', wide).map(({ offset, fix }) => [offset, fix])).toEqual([
      [0, "did you mean 'engine_speed'?"],
      [14, "did you mean 'oil_pressure'?"],
    ]);
  });

  it.each([
    ['t - u', 'K'],
    ['t - 5 K', 'degC'],
    ['t + k', 'degC'],
    ['k - k', 'K'],
    ['in(q, kPa) + p', 'kPa'],
    ['spread(t, u)', 'K'],
    ['mean(t, u)', 'degC'],
    ['rate(t)', 'K/s'],
    ['time_while(a > 1)', 's'],
    ['thermocouple_k(mv, t)', 'degC'],
    ['if(a > 1, p, 0)', 'kPa'],
    ['in(n / n, %)', undefined],
    ['p * q', 'W'],
    ['t + u', 'kPa'],
  ])('%s may be declared %s', (text, unit) => {
    if (unit !== undefined) expect(checkFormula(text, scope, unit)).toEqual([]);
    else expect(checkFormula(text, scope)).toMatchObject([{ code: 'FORMULA_UNITS_DIFFER' }]);
  });

  it.each([
    ['t - u', 'degC'],
    ['p', 'bar'],
    ['rate(t)', 'degC'],
    ['p', 'rpm'],
  ])('%s may not be declared %s', (text, unit) => {
    expect(checkFormula(text, scope, unit)).toMatchObject([{ code: 'FORMULA_RESULT_UNIT', offset: 0, length: text.length }]);
  });

  it('bound the length and the depth', () => {
    const long = `${'a+'.repeat(250)}a`;
    expect(checkFormula(long, scope)).toMatchObject([{ code: 'FORMULA_TOO_LONG', offset: 500, length: 1 }]);
    expect(checkFormula(long.slice(2), scope)).toMatchObject([{ code: 'FORMULA_TOO_DEEP' }]);
    expect(checkFormula(`${'-'.repeat(31)}a`, scope)).toEqual([]);
    expect(checkFormula(`${'-'.repeat(32)}a`, scope)).toMatchObject([{ code: 'FORMULA_TOO_DEEP' }]);
    expect(checkFormula(`${'('.repeat(200)}a${')'.repeat(200)}`, scope)).toMatchObject([{ code: 'FORMULA_TOO_DEEP' }]);
  });
});

describe('the channels of a formula', () => {
  it('are named once each, in order, without tables and units', () => {
    expect(formulaChannels('b + a * in(b, kPa) - interpolate(curve, c) > 3 bar')).toEqual(['b', 'a', 'c']);
    expect(formulaChannels('((')).toEqual([]);
  });
});
