// A real headless Chromium for the browser tests: that of this folder's own package, else the system's; or the reason why there is none.
import { existsSync } from 'node:fs';
import { createRequire } from 'node:module';
import { fileURLToPath, pathToFileURL } from 'node:url';
import type { Browser } from 'playwright-core';

const require = createRequire(fileURLToPath(new URL('package.json', import.meta.url)));
const systemPaths = ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'];
const launchTimeoutMs = 30_000;

export type Launched = { browser: Browser } | { reason: string };

/** Launches the first Chromium that works. */
export async function launchChromium(): Promise<Launched> {
  const installed = existsSync(fileURLToPath(new URL('node_modules/playwright-core', import.meta.url)));
  if (!installed) return { reason: 'tests/browser has no packages installed: npm test installs them' };
  const { chromium } = require('playwright-core') as typeof import('playwright-core');
  const reasons: string[] = [];
  const paths = systemPaths.filter((candidate) => existsSync(candidate));
  try {
    paths.unshift(await packagedPath());
  } catch (error) {
    reasons.push(`@sparticuz/chromium: ${String(error)}`);
  }
  for (const path of paths) {
    try {
      // The package's own default arguments hung on our machines: only what is needed.
      return { browser: await chromium.launch({ executablePath: path, args: ['--no-sandbox', '--headless'], timeout: launchTimeoutMs }) };
    } catch (error) {
      reasons.push(`${path}: ${String(error).split('\n')[0]}`);
    }
  }
  return { reason: reasons.length > 0 ? `no Chromium starts here: ${reasons.join('; ')}` : 'there is no Chromium here' };
}

async function packagedPath(): Promise<string> {
  const { default: packaged } = await import(/* @vite-ignore */ pathToFileURL(require.resolve('@sparticuz/chromium')).href);
  return packaged.executablePath();
}

/** Source of axe-core, to be run inside a page. */
export function axePath(): string {
  return require.resolve('axe-core/axe.min.js');
}
