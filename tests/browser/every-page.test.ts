// Every page of the router on a real server with the demo vehicle: nothing asked outside, no complaint, WCAG by axe, nothing cut at any size.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { pageNames } from './page-names.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const sizes = [
  [1366, 768],
  [1024, 768],
  [768, 1024],
  [390, 844],
  [1920, 1080],
] as const;

describe.skipIf('reason' in launched)('every page', () => {
  const { browser } = launched as { browser: Browser };
  const names = pageNames();
  let serving: Serving;

  beforeAll(async () => {
    serving = await Serving.start();
  });
  afterAll(async () => {
    await browser.close();
    await serving.stop();
  });

  /** What folds out without the one sign of all, or is too low for a glove; the tables over plots are as low as their titles. */
  function otherFolds(page: Page): Promise<string[]> {
    return page.evaluate(() =>
      [...document.querySelectorAll<HTMLElement>('main summary:not(.button)')]
        .filter((fold) => fold.checkVisibility())
        .filter((fold) => {
          const { borderTopWidth, width } = getComputedStyle(fold, '::before');
          const isLow = !fold.closest('.plot-table') && fold.getBoundingClientRect().height < 48;
          // The wall screen's letters are larger.
          const half = Number.parseFloat(getComputedStyle(document.documentElement).fontSize) / 2;
          return isLow || borderTopWidth !== '2px' || Number.parseFloat(width) !== half || getComputedStyle(fold).listStyleType !== 'none';
        })
        .map((fold) => fold.textContent ?? ''),
    );
  }

  /** Puts a warning aside that may come and go meanwhile. */
  async function uncover(page: Page): Promise<void> {
    const shown = page.locator('[role="alertdialog"]');
    while ((await shown.count()) > 0)
      await page
        .locator('button:text-is("Show the page")')
        .click({ timeout: 500 })
        .catch(() => undefined);
  }

  it('is known', () => {
    expect(names).toEqual(
      expect.arrayContaining(['live', 'checks', 'pulls', 'sessions', 'plots', 'frames', 'harness', 'vehicle', 'begin']),
    );
  });

  it.each(names)('%s asks nothing outside its server, and breaks no rule of its own policy', async (name) => {
    const page = await browser.newPage();
    const asked: string[] = [];
    const complaints: string[] = [];
    page.on('request', (request) => asked.push(request.url()));
    page.on('websocket', (socket) => asked.push(socket.url()));
    page.on('console', (message) => message.type() === 'error' && complaints.push(message.text()));
    page.on('pageerror', (error) => complaints.push(error.message));
    await page.goto(`${serving.url}/#/${name}`);
    await page.waitForSelector('main h1');
    await page.waitForSelector('.state[data-state="live"]');
    expect(asked.length).toBeGreaterThan(3);
    expect(asked.filter((url) => !url.startsWith('data:') && new URL(url).host !== `127.0.0.1:${serving.port}`)).toEqual([]);
    expect(complaints).toEqual([]);
    await page.close();
  });

  it.each(names)('%s has no violation in dark and in light', async (name) => {
    for (const colorScheme of ['dark', 'light'] as const) {
      const context = await browser.newContext({
        colorScheme,
        bypassCSP: true,
        viewport: { width: 1366, height: 768 },
        reducedMotion: 'reduce',
      });
      const page = await context.newPage();
      await page.goto(`${serving.url}/#/${name}`);
      await page.waitForSelector('main h1');
      await page.waitForSelector('.state[data-state="live"]');
      // A warning of the demo would lie over the page.
      await uncover(page);
      expect([colorScheme, await violations(page)]).toEqual([colorScheme, []]);
      await context.close();
    }
  });

  it.each(names)('%s has nothing cut and no target too small, from phone to wall', async (name) => {
    for (const [width, height] of sizes) {
      const page = await browser.newPage({ viewport: { width, height } });
      await page.goto(`${serving.url}/#/${name}`);
      await page.waitForSelector('main h1');
      await page.waitForSelector('.state[data-state="live"]');
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      expect([width, wide, await tooSmall(page)]).toEqual([width, 0, []]);
      expect([width, await otherFolds(page)]).toEqual([width, []]);
      await page.close();
    }
  });
});
