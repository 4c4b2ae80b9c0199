// No text can reach anything but channels and functions, hang, or crash: random texts, and random formulas against plain arithmetic.
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { checkFormula, formulaChannels } from '../../server/channels/formula.ts';
import { resultOf, scope } from './formula-doubles.ts';

/** Words that an attack or a slip would be made of. */
const words = [
  'a',
  'b',
  'max(',
  'if(',
  'in(',
  'rate(',
  'interpolate(curve,',
  ')',
  '(',
  '[',
  ']',
  '{',
  '}',
  '.',
  ',',
  ';',
  '+',
  '-',
  '*',
  '/',
  '%',
  '^',
  '**',
  '<',
  '>',
  '=',
  '==',
  '===',
  '!',
  '&&',
  '||',
  '??',
  '?',
  ':',
  '?.',
  '=>',
  'and',
  'or',
  'not',
  'constructor',
  '__proto__',
  'prototype',
  'toString',
  'hasOwnProperty',
  'this',
  'globalThis',
  'process',
  'require',
  'import',
  'Function',
  'eval',
  'new',
  'typeof',
  'void',
  'delete',
  'await',
  'yield',
  'null',
  'true',
  'undefined',
  'NaN',
  'Infinity',
  '"x"',
  "'x'",
  '`x`',
  '$' + '{a}',
  '\\u0061',
  '0x10',
  '1e999',
  '1n',
  '5 kPa',
  '/x/',
  '//',
  '/*',
  '@',
  '#',
  '\0',
  '\n',
];

const anyText = fc.oneof(
  fc.string({ unit: 'binary', maxLength: 600 }),
  fc.array(fc.constantFrom(...words), { maxLength: 60 }).map((list) => list.join(' ')),
  fc.array(fc.constantFrom(...words), { maxLength: 60 }).map((list) => list.join('')),
  fc.tuple(fc.constantFrom(...words), fc.nat(400)).map(([word, times]) => word.repeat(times)),
);

describe('any text', () => {
  it('is checked without a throw; problems lie inside it; what passes gives a finite number or a reason', () => {
    fc.assert(
      fc.property(anyText, (text) => {
        const problems = checkFormula(text, scope);
        for (const { offset, length } of problems) {
          expect(offset).toBeGreaterThanOrEqual(0);
          expect(offset + length).toBeLessThanOrEqual(text.length);
        }
        for (const name of formulaChannels(text)) if (problems.length === 0) expect(scope.channels.has(name)).toBe(true);
        if (problems.length > 0) return;
        const value = resultOf(text, { a: 3, b: -2 });
        expect(typeof value === 'number' ? Number.isFinite(value) : value).toBeTruthy();
      }),
      { numRuns: 20_000 },
    );
  });

  it.each(['constructor', '__proto__', 'toString', 'hasOwnProperty', 'valueOf', 'prototype'])(
    'finds no channel and no function named %s',
    (name) => {
      expect(checkFormula(name, scope)).toMatchObject([{ code: 'FORMULA_NAME_UNKNOWN' }]);
      expect(checkFormula(`${name}(1)`, scope)).toMatchObject([{ code: 'FORMULA_FUNCTION_UNKNOWN' }]);
      expect(checkFormula(`interpolate(${name}, 1)`, scope)).toMatchObject([{ code: 'FORMULA_NAME_UNKNOWN' }]);
      expect(checkFormula(`in(p, ${name})`, scope)).toMatchObject([{ code: 'FORMULA_UNIT_UNKNOWN' }]);
    },
  );

  it('leaves nothing behind in the prototypes', () => {
    checkFormula('__proto__ == 1', scope);
    expect(Object.keys(Object.prototype)).toEqual([]);
  });
});

/** A random formula, fully bracketed, beside what it means. */
interface Meant {
  text: string;
  of: (a: number, b: number) => number;
}

const { tree } = fc.letrec<{ tree: Meant }>((tie) => ({
  tree: fc.oneof(
    { maxDepth: 6 },
    fc.constant({ text: 'a', of: (a: number) => a }),
    fc.constant({ text: 'b', of: (_a: number, b: number) => b }),
    fc.integer({ min: 0, max: 99 }).map((n) => ({ text: String(n), of: () => n })),
    fc
      .tuple(fc.constantFrom('+', '-', '*', '/', '<', '>', '=='), tie('tree'), tie('tree'))
      .map(([operator, x, y]) => binary(operator, x, y)),
    fc
      .tuple(tie('tree'), tie('tree'))
      .map(([x, y]) => ({ text: `max(${x.text}, ${y.text})`, of: (a: number, b: number) => Math.max(x.of(a, b), y.of(a, b)) })),
    tie('tree').map((x) => ({ text: `-(${x.text})`, of: (a: number, b: number) => -x.of(a, b) })),
  ),
}));

function binary(operator: string, x: Meant, y: Meant): Meant {
  const apply: Record<string, (p: number, q: number) => number> = {
    '+': (p, q) => p + q,
    '-': (p, q) => p - q,
    '*': (p, q) => p * q,
    '/': (p, q) => p / q,
    '<': (p, q) => Number(p < q),
    '>': (p, q) => Number(p > q),
    '==': (p, q) => Number(p === q),
  };
  return {
    text: `(${x.text}) ${operator} (${y.text})`,
    of: (a, b) => (apply[operator] as (p: number, q: number) => number)(x.of(a, b), y.of(a, b)),
  };
}

describe('a random formula', () => {
  it('gives what the arithmetic gives, or no result where that is not a number', () => {
    fc.assert(
      fc.property(tree, fc.integer({ min: -50, max: 50 }), fc.integer({ min: -50, max: 50 }), ({ text, of }, a, b) => {
        fc.pre(text.length <= 500 && checkFormula(text, scope).length === 0);
        const expected = of(a, b);
        const got = resultOf(text, { a, b });
        // A comparison may hide an infinity that is no result here.
        if (got === 'missing') return;
        expect(got).toBe(expected);
      }),
      { numRuns: 2000 },
    );
  });
});
