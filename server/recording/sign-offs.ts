// Continuity readings of the harness, signed by a person: DATA/sign-offs.jsonl.
import { signOff } from '../contract/harness.ts';
import { LineFile } from './line-file.ts';

export class SignOffs extends LineFile<typeof signOff> {
  /** @param data The data folder. */
  constructor(data: string) {
    super(data, 'sign-offs.jsonl', signOff);
  }
}
