// Entry of `npm run screenshots [NAME]`: brings packages and build up to date, then runs screenshots.ts.
import { fileURLToPath } from 'node:url';
import { runnerImport } from 'vite';
import { ensureBuilt, ensureInstalled } from '../../server/start.mjs';

ensureInstalled({ dev: true, folder: 'tests/browser' });
ensureBuilt();
const path = fileURLToPath(new URL('screenshots.ts', import.meta.url));
const { module } = await runnerImport(path, { configFile: false });
await module.takeScreenshots(process.argv[2]);
process.exit(0);
