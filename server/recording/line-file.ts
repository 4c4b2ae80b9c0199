// A file of the data folder to which lines of JSON are only ever appended: what people signed and wrote down.
import { mkdirSync } from 'node:fs';
import { open, readFile } from 'node:fs/promises';
import { join } from 'node:path';
import type { z } from 'zod';
import { EvenburnError } from '../errors.ts';

export class LineFile<S extends z.ZodType> {
  private readonly data: string;
  private readonly path: string;
  private readonly shape: S;

  /**
   * @param data The data folder; made with the first line.
   * @param name The file's name in it.
   */
  constructor(data: string, name: string, shape: S) {
    this.data = data;
    this.path = join(data, name);
    this.shape = shape;
  }

  /** In the order in which they were given; a line that was cut by a kill is left out. */
  async list(): Promise<z.output<S>[]> {
    const text = await readFile(this.path, 'utf8').catch(() => '');
    return text.split('\n').flatMap((line) => {
      try {
        return [this.shape.parse(JSON.parse(line))];
      } catch {
        return [];
      }
    });
  }

  /** On the disk when it resolves. @throws EvenburnError DATA_UNWRITABLE */
  async add(entry: z.output<S>): Promise<void> {
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
