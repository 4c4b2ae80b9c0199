// What checks say, with their amounts in the units of this browser.
import type { WordsAndAmounts } from '../../server/contract/words-and-amounts.ts';
import { shownUnit, toQuantityText } from '../shell/units.ts';

/** The sentence, as the server wrote it but for the units. */
export function toSaid({ say, sayParts }: { say: string; sayParts?: WordsAndAmounts | undefined }): string {
  return sayParts?.map((part) => (typeof part === 'string' ? part : toAmountText(part.value, part.unit, part.digits))).join('') ?? say;
}

/** What was measured, or the limit, with its unit where the check gives one. */
export function toMeasured(value: number | string, unit: string | undefined): string {
  if (typeof value === 'string') return value;
  const short = Number(value.toPrecision(5));
  return toAmountText(short, unit ?? '', /\.(\d+)$/.exec(String(short))?.[1]?.length ?? 0);
}

/** Digits are those of the unit that it came in; another has its own. K is a difference. */
function toAmountText(value: number, unit: string, digits: number): string {
  const difference = unit === 'K';
  return toQuantityText(value, unit, shownUnit(unit, difference).unit === unit ? { difference, digits } : { difference });
}
