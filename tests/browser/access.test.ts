// A tablet on the network logs in by the page, watches or acts by its role, and is sent back to the login when everybody is logged out.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { ownAddresses } from '../../server/http/guard.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);
const [address] = ownAddresses();
if (address === undefined) console.warn('skipped: this computer has no address but loopback');

const crew = 'grey heron wades';
const viewer = 'reeds in the wind';

describe.skipIf('reason' in launched || address === undefined)('a tablet on the network', () => {
  const { browser } = launched as { browser: Browser };
  let serving: Serving;
  let folder: string;

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), 'evenburn-access-'));
    const file = join(folder, 'passphrases');
    writeFileSync(file, `crew: ${crew}\nviewer: ${viewer}\n`);
    serving = await Serving.start({ args: ['--lan', '--passphrase-file', file] });
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(folder, { recursive: true });
  });

  async function open(): Promise<Page> {
    const context = await browser.newContext({ viewport: { width: 1024, height: 768 }, hasTouch: true });
    const page = await context.newPage();
    await page.goto(`http://${address}:${serving.port}/`);
    return page;
  }

  async function logIn(page: Page, passphrase: string): Promise<void> {
    await page.fill('#passphrase', passphrase);
    await page.tap('button:text("Log in")');
  }

  it.each([
    [1366, 768],
    [1024, 768],
    [390, 844],
    [1920, 1080],
  ])('finds a login without a violation in either theme, nothing cut and no small target at %i × %i', async (width, height) => {
    for (const colorScheme of ['dark', 'light'] as const) {
      const context = await browser.newContext({ bypassCSP: true, colorScheme, viewport: { width, height } });
      const page = await context.newPage();
      await page.goto(`http://${address}:${serving.port}/`);
      await page.waitForSelector('#passphrase');
      expect(await violations(page)).toEqual([]);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
      expect(await tooSmall(page)).toEqual([]);
      const button = await page.locator('button:text("Log in")').boundingBox();
      expect(button?.height).toBeGreaterThanOrEqual(48);
      await context.close();
    }
  });

  it('logs in, sees values, and is asked again after everybody was logged out', async () => {
    const watching = await open();
    await logIn(watching, 'not this passphrase');
    await watching.waitForSelector('#login-refused:has-text("wrong")');
    await watching.check('text=Show what I type');
    expect(await watching.getAttribute('#passphrase', 'type')).toBe('text');
    await logIn(watching, viewer);
    await watching.waitForSelector('.access-bar:has-text("Viewer")');
    await watching.waitForSelector('main[data-link="live"]');
    expect(await watching.locator('text=Log everybody out').count()).toBe(0);
    expect(await watching.evaluate(() => document.cookie)).toBe('');
    const status = await watching.evaluate(async () => (await fetch('/api/simulator/faults', { method: 'POST' })).status);
    expect(status).toBe(403);

    const acting = await open();
    await logIn(acting, crew);
    await acting.tap('button:text("Log everybody out")');
    await acting.waitForSelector('#passphrase');
    await watching.waitForSelector('#passphrase');
    await watching.context().close();
    await acting.context().close();
  });
});
