// The Checks page at tablet size against a real server on simulated buses: a fault put in is found and named; wiggle, unplug, line readings.
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const tablet = { width: 1024, height: 768 };

describe.skipIf('reason' in launched)('the Checks page', () => {
  const { browser } = launched as { browser: Browser };
  let serving: Serving;
  let context: BrowserContext;

  beforeAll(async () => {
    serving = await Serving.start();
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
  });
  afterEach(() => context.close());

  async function open(address: string): Promise<Page> {
    context = await browser.newContext({ viewport: tablet, hasTouch: true });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('h1');
    return page;
  }

  async function putIn(fault: object): Promise<void> {
    const headers = { 'content-type': 'application/json' };
    const answer = await fetch(`${serving.url}/api/simulator/faults`, { method: 'POST', headers, body: JSON.stringify(fault) });
    expect(answer.status).toBe(200);
  }

  const mend = () => fetch(`${serving.url}/api/simulator/faults/0`, { method: 'DELETE' });

  it('finds and names a device that falls silent, keeps the run, and prints what changed; a second browser sees the same', async () => {
    const page = await open('checks');
    await page.tap('[data-check="bus"]');
    await page.tap('button:text("Begin")');
    await page.waitForSelector('[data-judged="true"]');
    const second = await context.newPage();
    await second.goto(`${serving.url}/#/checks/bus`);
    await second.waitForSelector('[data-judged="true"]');
    await putIn({ fault: 'device_silent', device: 'pressure-node' });
    for (const seen of [page, second]) {
      const row = seen.locator('.verdict[data-verdict="wrong"]', { hasText: 'pressure-node' }).first();
      await row.waitFor();
      expect(await row.textContent()).toMatch(/Next:/);
    }
    const { height } = (await page.locator('button:text("Finish and keep")').boundingBox()) ?? { height: 0 };
    expect(height).toBeGreaterThanOrEqual(64);
    await page.tap('button:text("Finish and keep")');
    await page.waitForSelector('h1:has-text("run 1")');
    expect(await page.locator('.run-word').textContent()).toMatch(/wrong/);
    await mend();
    await page.goto(`${serving.url}/#/checks`);
    await page.waitForSelector('.run-rows a');
  });

  it('shows the wiggle test calm, then changed with the branch and the stretch, then calm again', async () => {
    const page = await open('checks/wiggle');
    await page.tap('button:text("Begin")');
    await page.waitForSelector('.wiggle[data-calm="calm"]');
    await page.tap('.branches .button >> nth=0');
    await page.waitForSelector('.branches .button[aria-pressed="true"]');
    await page.waitForFunction(async () => {
      const answer = await fetch('/api/checks/watch');
      return ((await answer.json()) as { absent: string[] }).absent.length === 0;
    });
    await putIn({ fault: 'device_silent', device: 'pressure-node' });
    await page.waitForSelector('.wiggle[data-calm="disturbed"]');
    // What dropped out is named in full: on a phone it wraps.
    const tablet = page.viewportSize() as { width: number; height: number };
    await page.setViewportSize({ width: 390, height: 844 });
    expect(await page.evaluate(() => document.documentElement.scrollWidth)).toBe(390);
    await page.setViewportSize(tablet);
    const row = page.locator('.event-table tr[data-kind="gap"]', { hasText: 'pressure-node' }).first();
    await row.waitFor();
    await mend();
    await page.waitForSelector('.wiggle[data-calm="calm"]');
    await page.tap('button:text("End and keep")');
    await page.waitForSelector('h1:has-text("Wiggle test, run")');
    await page.waitForSelector('.verdict');
    expect(await page.textContent('body')).toMatch(/disturbances? while terminator – engine-controller was moved/);
    await page.goto(`${serving.url}/#/checks/wiggle`);
    await page.waitForSelector('button:text("Begin")');
  });

  it('passes a device in the unplug test', async () => {
    const page = await open('checks/unplug');
    const button = page.locator('.unplug-rows button:enabled', { hasText: 'thermocouple-box' });
    await button.tap();
    await page.waitForSelector('[data-phase="waiting"]');
    await putIn({ fault: 'device_silent', device: 'thermocouple-box' });
    await page.waitForSelector('[data-phase="vanished"]');
    await mend();
    await page.waitForSelector('[data-phase="passed"]');
    await page.tap('button:text("Finish and keep")');
    await page.waitForSelector('h1:has-text("Unplug test, run")');
    expect(await page.textContent('body')).toMatch(/Exactly the frames of thermocouple-box vanished/);
  });

  it('fills the screen with Shut down now on any page when oil pressure does not come, and says that only a person can', async () => {
    const started = await Serving.start();
    try {
      const post = (path: string, body: object) =>
        fetch(`${started.url}${path}`, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(body) });
      expect((await post('/api/checks/running', { check: 'first-start' })).status).toBe(200);
      expect((await post('/api/simulator/faults', { fault: 'low_oil_pressure', share: '1 %' })).status).toBe(200);
      context = await browser.newContext({ viewport: tablet, hasTouch: true });
      const page = await context.newPage();
      await page.goto(`${started.url}/#/live`);
      await page.waitForSelector('#stop-word');
      const words = await page.locator('.whole-screen', { has: page.locator('#stop-word') }).textContent();
      expect(words).toMatch(/Shut down now.*oil pressure.*limit 70 kPa, [\d.]+ s ago.*can't stop the engine/);
      const { width, height } = (await page.locator('.whole-screen').first().boundingBox()) ?? { width: 0, height: 0 };
      expect([width, height]).toEqual([tablet.width, tablet.height]);
    } finally {
      await started.stop();
    }
  });

  it('says what a typed resistance means', async () => {
    const page = await open('checks/line');
    await page.fill('input >> nth=0', '40,2');
    await page.tap('button:text("What does it mean?")');
    const row = page.locator('.verdict').first();
    await row.waitFor();
    expect(await row.textContent()).toMatch(/One terminator too many/);
  });
});
