// The Pulls page at tablet size over a recorded evening: the pulls, each cylinder's peak, the plot, the study; on phones nothing is cut.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { runScenario } from '../doubles/simulated-run.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const evening = `scenario: evening
seed: 5
start: hot
stages:
  - { stage: key_on, for: 3 s }
  - { stage: start, for: 6 s }
  - { stage: hold, for: 10 s, speed: 4000 rpm, load: 60 % }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s }
  - { stage: cool_down, for: 8 s, speed: 1800 rpm }
`;

describe.skipIf('reason' in launched)('the Pulls page', () => {
  const { browser } = launched as { browser: Browser };
  const data = mkdtempSync(join(tmpdir(), 'evenburn-pulls-'));
  let serving: Serving;

  beforeAll(async () => {
    const vehicle = await getVehicle('bus-definitions/garganey');
    await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin: 'evening.log', remarks: () => [] }, 0);
    serving = await Serving.start({ data });
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(data, { recursive: true, force: true });
  });

  it.each(['dark', 'light'] as const)('shows pulls, peaks and spread, and studies the holds (%s)', async (colorScheme) => {
    const context = await browser.newContext({ colorScheme, bypassCSP: true, viewport: { width: 1024, height: 768 } });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/pulls/1`);
    await page.waitForSelector('.pull-row');
    expect(await page.locator('.pull-row').evaluateAll((rows) => rows.map((row) => (row as HTMLElement).dataset.kind))).toEqual([
      'hold',
      'sweep',
    ]);
    expect(await page.locator('.peak-table tbody tr').nth(1).locator('td').count()).toBe(6);
    expect(await page.locator('.spread-plot svg').getAttribute('aria-label')).toMatch(/pull 2 at most \d+ K at \d+ rpm/);
    expect(await violations(page)).toEqual([]);
    expect(await tooSmall(page)).toEqual([]);
    await page.goto(`${serving.url}/#/pulls/study`);
    await page.click('.study summary >> nth=0');
    await page.click('.study-sessions li[data-session="1"] input');
    await page.click('button:text("Study them")');
    await page.waitForSelector('.study-found table');
    expect(await violations(page)).toEqual([]);
    expect(await tooSmall(page)).toEqual([]);
    await context.close();
  });

  it('leaves a pull out of the plot and the table when its tick is taken away', async () => {
    const page = await browser.newPage({ viewport: { width: 1024, height: 768 } });
    await page.goto(`${serving.url}/#/pulls/1`);
    await page.waitForSelector('.pull-row');
    await page.click('.pull-row >> nth=0 >> input');
    await page.waitForFunction(() => document.querySelectorAll('.peak-table tbody tr').length === 1);
    await page.close();
  });

  it('never scrolls sideways, from phone to wall', async () => {
    for (const [width, height] of [
      [390, 844],
      [768, 1024],
      [1920, 1080],
    ] as const) {
      const page = await browser.newPage({ viewport: { width, height } });
      await page.goto(`${serving.url}/#/pulls/1`);
      await page.waitForSelector('.pull-row');
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      expect([width, wide]).toEqual([width, 0]);
      await page.close();
    }
  });
});
