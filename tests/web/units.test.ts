// Units as a browser shows them: the same numbers as the program's own conversion, differences without a zero, and nothing changed unasked.
import { afterEach, describe, expect, it } from 'vitest';
import { toUnit } from '../../server/channels/unit.ts';
import { nameHere, ownNames } from '../../web/shell/channel-names.ts';
import { decimalChoice, toNumberText, toSignedText, toWords } from '../../web/shell/numbers.ts';
import {
  choicesOf,
  dimensions,
  isDifference,
  shownUnit,
  toDeclaredValue,
  toKelvinText,
  toQuantityText,
  toShownNumber,
  toShownWord,
  unitChoices,
} from '../../web/shell/units.ts';

/** Units that channels may be declared in, by what a person chooses for. */
const declared = {
  temperature: ['degC', 'degF'],
  pressure: ['Pa', 'kPa', 'mbar', 'bar', 'psi'],
  speed: ['km/h', 'mph', 'm/s'],
  flow: ['cc/min', 'L/h'],
  torque: ['Nm', 'lbft'],
  power: ['W', 'kW', 'hp'],
} as const;

const pairs = dimensions.flatMap((dimension) =>
  declared[dimension].flatMap((from) =>
    choicesOf(dimension)
      .filter((to) => to !== 'declared')
      .map((to) => [dimension, from, to] as const),
  ),
);

afterEach(() => {
  for (const dimension of dimensions) unitChoices[dimension].value = 'declared';
  decimalChoice.value = 'system';
  nameHere('oil_pressure', '');
});

describe('units shown', () => {
  it.each(pairs)('convert %s from %s to %s as the program does', (dimension, from, to) => {
    unitChoices[dimension].value = to;
    const shown = shownUnit(from);
    expect(shown.unit).toBe(to);
    for (const value of [-40, 0, 1, 780, 8500]) {
      const wanted = toUnit(value, from, to);
      expect(value * shown.factor + shown.offset).toBeCloseTo(wanted, 9 - Math.ceil(Math.log10(Math.abs(wanted) + 1)));
    }
  });

  it('leave every unit alone until somebody chooses', () => {
    for (const unit of [...Object.values(declared).flat(), 'K', 'rpm', '%', '', 'lambda', 'V']) {
      expect(shownUnit(unit)).toEqual({ unit, factor: 1, offset: 0 });
    }
  });

  it('write differences of temperatures without a zero, and never guess what a channel in K is', () => {
    unitChoices.temperature.value = 'degF';
    // 80 K of spread are 144 °F of spread; 780 °C are 1436 °F.
    expect(toQuantityText(80, 'K', { difference: true })).toBe('144 °F');
    expect(toQuantityText(10, 'K/s', { difference: true, signed: true })).toBe('+18 °F/s');
    expect(toQuantityText(780, 'degC')).toBe('1436 °F');
    expect(toQuantityText(10, 'degC', { difference: true })).toBe('18 °F');
    expect(toQuantityText(300, 'K')).toBe('300 K');
    unitChoices.temperature.value = 'degC';
    expect(toQuantityText(80, 'K', { difference: true })).toBe('80 K');
  });

  it('use the digits of the unit shown', () => {
    expect(toQuantityText(300, 'kPa')).toBe('300 kPa');
    unitChoices.pressure.value = 'bar';
    expect(toQuantityText(300, 'kPa')).toBe('3.00 bar');
    unitChoices.pressure.value = 'psi';
    expect(toQuantityText(300, 'kPa')).toBe('43.5 psi');
  });
});

describe('the language of numbers', () => {
  it('has a comma where that was chosen, in negative numbers and differences too', () => {
    decimalChoice.value = 'comma';
    expect([toNumberText(-3.146, 2), toSignedText(0.25, 2), toNumberText(1000, 0), toNumberText(-0.001, 2)]).toEqual([
      '−3,15',
      '+0,25',
      '1000',
      '0,00',
    ]);
    decimalChoice.value = 'point';
    expect(toNumberText(-3.146, 2)).toBe('−3.15');
  });
});

describe('names on this browser', () => {
  it('stand for the channel in words until they are taken away', () => {
    nameHere('oil_pressure', '  Main gallery ');
    expect(toWords('oil_pressure')).toBe('Main gallery');
    expect(ownNames.value.size).toBe(1);
    nameHere('oil_pressure', ' ');
    expect(toWords('oil_pressure')).toBe('oil pressure');
  });

  it('are ordinary words, whatever they are', () => {
    nameHere('__proto__', 'x');
    expect(toWords('constructor')).toBe('constructor');
    nameHere('__proto__', '');
  });
});

describe('channels of the program itself', () => {
  it('in K are differences; a temperature of the gas, which is built in too, has its zero: 800 °C are 1472 °F', () => {
    unitChoices.temperature.value = 'degF';
    const shown = (kind: string, unit: string, value: number) => toQuantityText(value, unit, { difference: isDifference({ kind, unit }) });
    expect(shown('built-in', 'degC', 800)).toBe('1472 °F');
    expect(shown('built-in', 'K', 50)).toBe('90 °F');
    expect(shown('built-in', 'K/s', 10)).toBe('18 °F/s');
    expect(shown('signal', 'K', 300)).toBe('300 K');
    unitChoices.temperature.value = 'declared';
  });
});

describe('what is typed in the unit shown', () => {
  it('becomes a value of the declared unit: 30 psi are 206.84 kPa, 212 °F are 100 °C, 18 °F of difference are 10 K', () => {
    unitChoices.pressure.value = 'psi';
    unitChoices.temperature.value = 'degF';
    expect(toDeclaredValue(30, 'kPa')).toBeCloseTo(206.842719, 6);
    expect(toDeclaredValue(212, 'degC')).toBeCloseTo(100, 9);
    expect(toDeclaredValue(18, 'K', true)).toBeCloseTo(10, 9);
    expect(toDeclaredValue(1500, 'rpm')).toBe(1500);
    unitChoices.pressure.value = 'declared';
    unitChoices.temperature.value = 'declared';
    expect(toDeclaredValue(0.1, 'kPa')).toBe(0.1);
  });
});

describe('numbers of the Pulls page', () => {
  it('follow the scale that was chosen: temperatures with its zero, differences without', () => {
    unitChoices.temperature.value = 'degF';
    // By hand: 780 × 9/5 + 32 = 1436; 50 × 9/5 = 90.
    expect(toShownNumber(780, 'degC', { digits: 0 })).toBe('1436');
    expect(toShownWord('degC')).toBe('°F');
    expect(toKelvinText(50)).toBe('90 °F');
    expect(toKelvinText(-5, { digits: 1, signed: true })).toBe('−9.0 °F');
    unitChoices.temperature.value = 'declared';
    expect(toKelvinText(50)).toBe('50 K');
  });
});
