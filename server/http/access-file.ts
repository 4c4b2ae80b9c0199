// The file of passphrase hashes and the signing key in the data folder, readable by its owner only.
import { chmod, mkdir, open, readFile, rename } from 'node:fs/promises';
import { join } from 'node:path';
import type { z } from 'zod';
import { EvenburnError } from '../errors.ts';

const fileName = 'access.json';
const ownerOnly = 0o600;

/** Undefined when there is none. @throws EvenburnError ACCESS_FILE_DAMAGED */
export async function readAccessFile<T>(folder: string, shape: z.ZodType<T>): Promise<T | undefined> {
  const path = join(folder, fileName);
  try {
    const read = shape.parse(JSON.parse(await readFile(path, 'utf8')));
    await chmod(path, ownerOnly);
    return read;
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === 'ENOENT') return undefined;
    throw new EvenburnError('ACCESS_FILE_DAMAGED', { path }, error);
  }
}

/** Writes beside it and renames, so that a kill leaves the old or the new one. @throws EvenburnError DATA_UNWRITABLE */
export async function keepAccessFile(folder: string, record: unknown): Promise<void> {
  const path = join(folder, fileName);
  const beside = `${path}.new`;
  try {
    await mkdir(folder, { recursive: true });
    const file = await open(beside, 'w', ownerOnly);
    await file.chmod(ownerOnly);
    await file.writeFile(`${JSON.stringify(record)}\n`);
    await file.sync();
    await file.close();
    await rename(beside, path);
  } catch (error) {
    throw new EvenburnError('DATA_UNWRITABLE', { path, why: (error as Error).message }, error);
  }
}
