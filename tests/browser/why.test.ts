// 'Why this number?' by keyboard alone on every page that shows values: down to lit bits, of the instant that the number is of.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SessionDetail } from '../../server/contract/replay.ts';
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
  - { stage: key_on, for: 2 s }
  - { stage: start, for: 4 s }
  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s }
  - { stage: cool_down, for: 6 s, speed: 1800 rpm }
`;

describe.skipIf('reason' in launched)('why a number is what it is', () => {
  const { browser } = launched as { browser: Browser };
  const data = mkdtempSync(join(tmpdir(), 'evenburn-why-'));
  let serving: Serving;
  let startUs = 0;

  beforeAll(async () => {
    const vehicle = await getVehicle('bus-definitions/garganey');
    await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin: 'evening.log', remarks: () => [] }, 0);
    serving = await Serving.start({ data });
    startUs = ((await (await fetch(`${serving.url}/api/sessions/1`)).json()) as SessionDetail).fromUs;
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(data, { recursive: true, force: true });
  });

  async function open(address: string): Promise<Page> {
    const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, bypassCSP: true, reducedMotion: 'reduce' });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('.state[data-state="live"]');
    return page;
  }

  /** Asks by keyboard, and gives the panel with its lit bits; the number in its first line. */
  async function ask(page: Page, value: Locator): Promise<{ panel: Locator; number: number }> {
    await value.focus();
    await page.keyboard.press('Enter');
    const panel = page.locator('dialog.why[open]');
    await panel.locator('.bit[data-lit]').first().waitFor();
    const said = (await panel.locator('.why-number').first().textContent()) ?? '';
    return { panel, number: Number(/[−\d.]+/.exec(said)?.[0].replace('−', '-')) };
  }

  it('is told of a live value, with worked numbers of at most 12 digits', async () => {
    const page = await open('live');
    await page.waitForSelector('.live .reading[data-channel="exhaust_temp_1"][data-quality="ok"]');
    const { panel } = await ask(page, page.locator('.live .reading[data-channel="exhaust_spread"]').first());
    const worked = await panel.locator('.why-arithmetic').allTextContents();
    expect(worked.length).toBeGreaterThan(0);
    for (const text of worked)
      for (const [digits] of text.matchAll(/[\d.]+/g)) expect(digits.replace(/^0*\.?0*|\./g, '').length).toBeLessThanOrEqual(12);
    await page.context().close();
  });

  it('is told of a signal on All frames', async () => {
    const page = await open('frames');
    await page.locator('.frame-row[data-defined="true"] .frame-line').first().press('Enter');
    const { panel } = await ask(page, page.locator('.frame-signals .reading').first());
    expect(await panel.locator('.why-facts').first().textContent()).toContain('Defined in');
    await page.context().close();
  });

  it('is told in a replay, as of its position', async () => {
    const atUs = startUs + 9_000_000;
    const page = await open(`sessions/1?at=${atUs}`);
    await page.waitForSelector('.replay .reading[data-channel="exhaust_temp_1"][data-quality="ok"]');
    const { panel } = await ask(page, page.locator('.replay .reading[data-channel="exhaust_temp_1"]').first());
    expect(await panel.textContent()).toContain(`(${(atUs / 1e6).toFixed(2)} s of the session)`);
    await page.context().close();
  });

  it('is told of what a cursor on a plot measures, as of the cursor', async () => {
    const page = await open('plots?traces=1:exhaust_temp_1');
    const canvas = page.locator('.still-plot canvas');
    await canvas.focus();
    await page.keyboard.press('Enter');
    const value = page.locator('.measures .why-at').first();
    await value.waitFor();
    const measured = Number((await value.textContent())?.replace('−', '-'));
    const { number } = await ask(page, value);
    // The plot's bin holds the sample of the cursor: neighbours differ by a few kelvin at most.
    expect(Math.abs(number - measured)).toBeLessThan(10);
    expect(await violations(page)).toEqual([]);
    await page.keyboard.press('Escape');
    expect(await tooSmall(page)).toEqual([]);
    await page.context().close();
  });

  it("is told of a pull's peak, as of the peak", async () => {
    const page = await open('pulls/1');
    const value = page.locator('.peak-table .why-at').first();
    await value.waitFor();
    const peak = Number(/\d+/.exec((await value.textContent()) ?? '')?.[0]);
    const { number } = await ask(page, value);
    expect(Math.abs(number - peak)).toBeLessThanOrEqual(0.5);
    await page.keyboard.press('Escape');
    expect(await tooSmall(page)).toEqual([]);
    await page.context().close();
  });
});
