// The known name that a mistyped one most likely meant, and the caret under a fault.
import { describe, expect, it } from 'vitest';
import { findNearestName, toSuggestion } from '../../server/definitions/nearest-name.ts';
import { toCaretLines } from '../../server/definitions/problem.ts';
import { unknownUnit } from '../../server/definitions/quantity.ts';

describe('the nearest name', () => {
  it.each([
    ['perod', ['period', 'pgn', 'name'], 'period'],
    ['oil_presure', ['oil_pressure', 'oil_temp'], 'oil_pressure'],
    ['ecxhaust', ['exhaust'], 'exhaust'],
    ['SPEED', ['throttle', 'speed'], 'speed'],
    ['event', ['per cycle', 'per event with dead time', 'per event'], 'per event'],
    ['C', ['A', 'B'], undefined],
    ['throttle', ['speed', 'lambda'], undefined],
    ['', ['speed'], undefined],
  ])('%s among %j is %s', (name, candidates, nearest) => {
    expect(findNearestName(name, candidates)).toBe(nearest);
  });

  it('gives the whole list where nothing is near and the list is short', () => {
    expect(toSuggestion('x', ['a1', 'b1'])).toBe('Known: a1, b1.');
    expect(toSuggestion('x', [])).toBe('None is defined.');
    expect(
      toSuggestion(
        'x',
        Array.from({ length: 20 }, (_, i) => `name${i}`),
      ),
    ).toBe('Known ones include name0, name1, name2, name3, name4, name5, name6, name7.');
  });

  it.each([
    ['°C', 'degC'],
    ['kpa', 'kPa'],
    ['MS', 'ms'],
    ['percent', '%'],
    ['Kph', 'km/h'],
    ['volts', 'V'],
  ])('for the unit %s is %s', (unit, nearest) => {
    expect(unknownUnit(unit).fix).toBe(`Did you mean '${nearest}'?`);
  });
});

describe('the caret', () => {
  const problem = {
    code: 'X',
    severity: 'error' as const,
    file: 'a.yaml',
    line: 2,
    column: 8,
    endColumn: 11,
    found: 'abc',
    say: '',
    fix: '',
  };

  it('stands under the offending text', () => {
    expect(toCaretLines(problem, 'one\n\tunit: abc # x\r\n')).toBe('     unit: abc # x\n           ^^^');
  });

  it('cuts a long line to its part around the fault', () => {
    const line = `${'x'.repeat(300)}abc${'y'.repeat(300)}`;
    const [text = '', carets = ''] = toCaretLines({ ...problem, line: 1, column: 301, endColumn: 304 }, line, 60).split('\n');
    expect(text).toHaveLength(64);
    expect(text.slice(carets.indexOf('^'), carets.indexOf('^') + 3)).toBe('abc');
    expect(carets.trim()).toBe('^^^');
  });

  it('shows one caret behind the end of a line where something is missing', () => {
    expect(toCaretLines({ ...problem, line: 1, column: 4, endColumn: 5 }, 'abc')).toBe('    abc\n       ^');
  });
});
