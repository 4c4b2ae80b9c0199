// Runs once before the tests: brings dist up to date, since workers and readers are run as built, and unpacks the browser.
import { ensureBuilt } from '../server/start.mjs';
import { unpackChromium } from './browser/chromium.ts';

export default async function buildFirst(): Promise<void> {
  await ensureBuilt();
  await unpackChromium();
}
