// A session's number as it is typed on the command line.
import { EvenburnError } from '../errors.ts';

/** @throws EvenburnError USAGE_WRONG */
export function sessionNumber(text: string): number {
  if (!/^[1-9]\d{0,8}$/.test(text)) throw new EvenburnError('USAGE_WRONG', { what: `'${text}' is no session; sessions have numbers` });
  return Number(text);
}

/** @throws EvenburnError USAGE_WRONG */
export function readingNumber(text: string): number {
  if (!/^[1-9]\d{0,8}$/.test(text)) throw new EvenburnError('USAGE_WRONG', { what: `'${text}' is no reading; readings have numbers` });
  return Number(text);
}
