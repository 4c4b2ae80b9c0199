// A real headless Chromium for the browser tests: that of this folder's own package, else the system's; or the reason why there is none.
import { existsSync } from 'node:fs';
import { createRequire } from 'node:module';
import { fileURLToPath, pathToFileURL } from 'node:url';
import type { Browser } from 'playwright-core';

const require = createRequire(fileURLToPath(new URL('package.json', import.meta.url)));
const systemPaths = ['/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'];
const launchTimeoutMs = 60_000;
const launchTriesMax = 3;
/** For every wait on a page: a machine with half our speed, busy with other tests. */
const pageTimeoutMs = 60_000;
const packages = fileURLToPath(new URL('node_modules/playwright-core', import.meta.url));

export type Launched = { browser: Browser } | { reason: string };

/** Unpacks the packaged Chromium once, before test files run beside each other: one would start what another has half written. */
export async function unpackChromium(): Promise<void> {
  // What goes wrong is said by `launchChromium`.
  if (existsSync(packages)) await packagedPath().catch(() => undefined);
}

/** Launches the first Chromium that works. */
export async function launchChromium(): Promise<Launched> {
  if (!existsSync(packages)) return { reason: 'tests/browser has no packages installed: npm test installs them' };
  const { chromium } = require('playwright-core') as typeof import('playwright-core');
  const reasons: string[] = [];
  const paths = systemPaths.filter((candidate) => existsSync(candidate));
  try {
    paths.unshift(await packagedPath());
  } catch (error) {
    reasons.push(`@sparticuz/chromium: ${String(error)}`);
  }
  // Tried again: on a busy machine a launch may fail for no reason of ours, and nothing may be skipped in CI.
  for (let tries = 0; tries < launchTriesMax; tries++) {
    for (const path of paths) {
      try {
        // The package's own default arguments hung on our machines: only what is needed.
        const browser = await chromium.launch({ executablePath: path, args: ['--no-sandbox', '--headless'], timeout: launchTimeoutMs });
        return { browser: withPatience(browser) };
      } catch (error) {
        reasons.push(`${path}: ${String(error).split('\n')[0]}`);
      }
    }
  }
  return { reason: reasons.length > 0 ? `no Chromium starts here: ${reasons.join('; ')}` : 'there is no Chromium here' };
}

/** The same browser, whose pages wait for as long as a slow machine needs. */
function withPatience(browser: Browser): Browser {
  const newContext = browser.newContext.bind(browser);
  browser.newContext = async (options) => {
    const context = await newContext(options);
    context.setDefaultTimeout(pageTimeoutMs);
    return context;
  };
  return browser;
}

async function packagedPath(): Promise<string> {
  const { default: packaged } = await import(/* @vite-ignore */ pathToFileURL(require.resolve('@sparticuz/chromium')).href);
  return packaged.executablePath();
}

/** Source of axe-core, to be run inside a page. */
export function axePath(): string {
  return require.resolve('axe-core/axe.min.js');
}
