// Where the project's folder is: sources, built modules and the bundled program lie at different depths below it.
import { existsSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

/** Absolute path of the folder that holds package.json. */
export const projectRoot = findRoot(dirname(fileURLToPath(import.meta.url)));

function findRoot(folder: string): string {
  if (existsSync(join(folder, 'package.json'))) return folder;
  const above = dirname(folder);
  if (above === folder) throw new Error('package.json is missing above the program');
  return findRoot(above);
}
