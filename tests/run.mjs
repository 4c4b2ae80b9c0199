// `npm test`: everything for the tests on a fresh clone, then vitest. In CI a skipped test fails the run (tests/no-skips.ts).
import { spawnSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { ensureBuilt, ensureInstalled } from '../server/start.mjs';

const root = join(dirname(fileURLToPath(import.meta.url)), '..');
ensureInstalled({ dev: true });
if (existsSync(join(root, 'tests', 'browser', 'package-lock.json'))) ensureInstalled({ dev: true, folder: 'tests/browser' });
if (process.argv.includes('--set-up-only')) process.exit(0);
ensureBuilt();
const vitest = join(root, 'node_modules', 'vitest', 'vitest.mjs');
const done = spawnSync(process.execPath, [vitest, 'run', '--config', 'tests/vitest.config.ts', ...process.argv.slice(2)], {
  cwd: root,
  stdio: 'inherit',
});
process.exit(done.status ?? 1);
