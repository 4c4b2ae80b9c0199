// The program's version: package.json is the one place that says it.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { projectRoot } from './project-root.ts';

export const programVersion = (JSON.parse(readFileSync(join(projectRoot, 'package.json'), 'utf8')) as { version: string }).version;
