// What verdicts say: a sentence in the files' units, and its amounts apart from the words.
import { describe, expect, it } from 'vitest';
import { amount, said } from '../../server/checks/said.ts';

describe('a sentence with amounts', () => {
  it('reads as it did, and keeps every amount with its unit and digits', () => {
    expect(said`${'port'} settles at ${amount(281.26, 'kPa', 0)} instead of ${amount(300, 'kPa')}`).toEqual({
      say: 'port settles at 281 kPa instead of 300 kPa',
      sayParts: ['port settles at ', { value: 281.26, unit: 'kPa', digits: 0 }, ' instead of ', { value: 300, unit: 'kPa', digits: 0 }],
    });
  });

  it('takes sentences within a sentence, and joins words that stand beside each other', () => {
    const more = said`, above ${amount(2.5, 'V')}`;
    expect(said`${'battery'}: ${amount(12.75, 'V')}${more}${''}`).toEqual({
      say: 'battery: 12.75 V, above 2.5 V',
      sayParts: ['battery: ', { value: 12.75, unit: 'V', digits: 2 }, ', above ', { value: 2.5, unit: 'V', digits: 1 }],
    });
    expect(said`a ${said`b`} ${3}`).toEqual({ say: 'a b 3' });
  });

  it('writes degrees as people do', () => {
    expect(said`${amount(-11, 'degC', 0)} and ${amount(20, 'K')} and ${amount(3, '')}`.say).toBe('-11 °C and 20 K and 3');
  });
});
