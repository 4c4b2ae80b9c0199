// The program's version: package.json is the one place that says it.
import { existsSync, readFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

function packageFile(): string {
  // Built files lie one folder deeper than sources.
  for (let folder = dirname(fileURLToPath(import.meta.url)); ; folder = dirname(folder)) {
    const path = join(folder, 'package.json');
    if (existsSync(path)) return path;
    if (folder === dirname(folder)) throw new Error('package.json is missing');
  }
}

export const programVersion = (JSON.parse(readFileSync(packageFile(), 'utf8')) as { version: string }).version;
