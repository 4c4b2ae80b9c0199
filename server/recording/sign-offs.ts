// Continuity readings of the harness, signed by a person: appended to DATA/sign-offs.jsonl, one a line, never changed.
import { mkdirSync } from 'node:fs';
import { open, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import { type SignOff, signOff } from '../contract/harness.ts';
import { EvenburnError } from '../errors.ts';

export class SignOffs {
  private readonly data: string;
  private readonly path: string;

  constructor(data: string) {
    this.data = data;
    this.path = join(data, 'sign-offs.jsonl');
  }

  /** In the order in which they were given; a line that was cut by a kill is left out. */
  async list(): Promise<SignOff[]> {
    const text = await readFile(this.path, 'utf8').catch(() => '');
    return text.split('\n').flatMap((line) => {
      try {
        return [signOff.parse(JSON.parse(line))];
      } catch {
        return [];
      }
    });
  }

  /** On the disk when it resolves. @throws EvenburnError DATA_UNWRITABLE */
  async add(entry: SignOff): Promise<void> {
    try {
      mkdirSync(this.data, { recursive: true });
      const file = await open(this.path, 'a');
      try {
        // A line that was cut by a kill must not swallow this one.
        await file.appendFile(`\n${JSON.stringify(entry)}`);
        await file.sync();
      } finally {
        await file.close();
      }
    } catch (error) {
      throw new EvenburnError('DATA_UNWRITABLE', { path: this.path, why: (error as Error).message }, error);
    }
  }
}
