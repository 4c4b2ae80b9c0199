// `npm run bench -- NAME`: builds, then runs tests/bench/NAME.bench.mjs; without a name it lists those there are.
import { spawnSync } from 'node:child_process';
import { existsSync, readdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { ensureBuilt, ensureInstalled } from '../../server/start.mjs';

const here = dirname(fileURLToPath(import.meta.url));
const suffix = '.bench.mjs';
const names = readdirSync(here)
  .filter((file) => file.endsWith(suffix))
  .map((file) => file.slice(0, -suffix.length));
const [name, ...rest] = process.argv.slice(2);
if (name === undefined || !existsSync(join(here, name + suffix))) {
  process.stderr.write(`usage: npm run bench -- NAME, with NAME one of ${names.join(', ')}\n`);
  process.exit(2);
}
ensureInstalled({ dev: true });
await ensureBuilt();
const done = spawnSync(process.execPath, [join(here, name + suffix), ...rest], { stdio: 'inherit' });
process.exit(done.status ?? 1);
