// axe-core on every page, in both themes and in states that a healthy station never shows.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const looks = [
  { colorScheme: 'dark', contrast: 'no-preference' },
  { colorScheme: 'light', contrast: 'no-preference' },
  { colorScheme: 'dark', contrast: 'more' },
  { colorScheme: 'light', contrast: 'more' },
] as const;

describe.skipIf('reason' in launched)('every page', () => {
  const { browser } = launched as { browser: Browser };
  let station: StationDouble;
  let policyOff: Awaited<ReturnType<Browser['newContext']>>[] = [];

  beforeAll(async () => {
    station = await StationDouble.start(straightSix);
  });
  afterAll(async () => {
    await Promise.all(policyOff.map((context) => context.close()));
    policyOff = [];
    await station.close();
    await browser.close();
  });

  /** axe is injected as a script, which the pages' policy forbids: the policy has tests of its own. */
  async function open(look: (typeof looks)[number], address: string): Promise<Page> {
    const context = await browser.newContext({ ...look, bypassCSP: true, viewport: { width: 1366, height: 768 }, reducedMotion: 'reduce' });
    policyOff.push(context);
    const page = await context.newPage();
    await page.goto(`${station.url}/#/${address}`);
    await page.waitForSelector('.state[data-state="live"]');
    await page.waitForSelector('h1');
    return page;
  }

  it.each(looks)('has no violation on Live, healthy, with bad values and with alarms ($colorScheme, $contrast)', async (look) => {
    const page = await open(look, 'live');
    await page.waitForSelector('.plot canvas');
    expect(await violations(page)).toEqual([]);
    station.hold('exhaust_temp_3', { quality: 'fault' });
    station.hold('exhaust_temp_6', { quality: 'out-of-range', value: 1260 });
    station.hold('oil_pressure', { quality: 'stale' });
    station.raise({
      name: 'exhaust temperature 5 high',
      severity: 'caution',
      channel: 'exhaust_temp_5',
      value: 793,
      unit: 'degC',
      advice: 'Lift',
    });
    station.raise({ name: 'spread', severity: 'advisory' });
    await page.waitForSelector('.reading[data-quality="fault"]');
    await page.waitForSelector('.alarm-row');
    expect(await violations(page)).toEqual([]);
    station.raise({ name: 'oil pressure low', severity: 'warning', advice: 'Shut down now' });
    await page.waitForSelector('[role="alertdialog"]');
    expect(await violations(page)).toEqual([]);
    for (const channel of ['exhaust_temp_3', 'exhaust_temp_6', 'oil_pressure']) station.hold(channel, undefined);
    for (const alarm of ['exhaust temperature 5 high', 'spread', 'oil pressure low']) station.clear(alarm);
    await page.close();
  });

  it.each(looks)(
    'has no violation in the far view, in the answer to Why, and in the list of keys ($colorScheme, $contrast)',
    async (look) => {
      const page = await open(look, 'live');
      await page.click('.live [data-channel="exhaust_spread"]');
      await page.waitForSelector('dialog.why[open] .bit[data-lit]');
      expect(await violations(page)).toEqual([]);
      await page.keyboard.press('Escape');
      await page.keyboard.press('?');
      await page.waitForSelector('dialog.key-help[open]');
      expect(await violations(page)).toEqual([]);
      await page.keyboard.press('Escape');
      await page.keyboard.press('v');
      await page.waitForSelector('html[data-view="far"]');
      expect(await violations(page)).toEqual([]);
      await page.close();
    },
  );

  it.each(looks)('has no violation on All frames, Sessions, a replay and Plots ($colorScheme, $contrast)', async (look) => {
    const page = await open(look, 'frames');
    await page.waitForSelector('.frame-row');
    await page.click('.frame-line');
    expect(await violations(page)).toEqual([]);
    await page.goto(`${station.url}/#/sessions`);
    await page.waitForSelector('.session');
    expect(await violations(page)).toEqual([]);
    await page.locator('.session').first().getByRole('button', { name: 'Notes' }).click();
    await page.locator('.session').last().getByRole('button', { name: 'Readings' }).click();
    await page.waitForSelector('.readings li');
    expect(await violations(page)).toEqual([]);
    await page.goto(`${station.url}/#/sessions/12`);
    await page.waitForSelector('.replay .plot canvas');
    await page.waitForSelector('.transport');
    expect(await violations(page)).toEqual([]);
    await page.goto(`${station.url}/#/plots?traces=12:exhaust_temp_1,11:exhaust_temp_1,12:engine_speed`);
    await page.waitForSelector('.measures');
    expect(await violations(page)).toEqual([]);
    await page.selectOption('.axis-choice select', 'speed');
    await page.waitForSelector('.plots-page [role="status"]');
    expect(await violations(page)).toEqual([]);
    await page.close();
  });

  it('keeps the focus in a warning that takes the whole screen, gives it back afterwards, and never lets a key acknowledge unasked', async () => {
    const page = await open(looks[0], 'live');
    const focused = page.locator('.live-main button[data-channel="oil_pressure"]').first();
    await focused.focus();
    station.raise({ name: 'oil pressure low', severity: 'warning', advice: 'Shut down now' });
    await page.waitForSelector('[role="alertdialog"]');
    const held = () => page.evaluate(() => document.activeElement?.closest('[role="alertdialog"]') !== null);
    const word = () => page.evaluate(() => document.activeElement?.textContent?.trim() ?? '');
    await expect.poll(held).toBe(true);
    // What was pressed for something else.
    for (const key of ['Space', 'Enter']) await page.keyboard.press(key);
    expect(await page.locator('[role="alertdialog"]').count()).toBe(1);
    const words = new Set<string>();
    for (let i = 0; i < 6; i++) {
      await page.keyboard.press(i < 3 ? 'Tab' : 'Shift+Tab');
      // Behind the last button browsers go to their own bar, never to the page below.
      const isIn = await page.evaluate(
        () => document.activeElement === document.body || document.activeElement?.closest('[role="alertdialog"]') !== null,
      );
      expect(isIn).toBe(true);
      words.add(await word());
    }
    expect([...words]).toEqual(expect.arrayContaining(['Acknowledge', 'Show the page']));
    await page.keyboard.press('Escape');
    await page.waitForSelector('.warning-band');
    await expect.poll(() => page.evaluate(() => document.activeElement?.getAttribute('data-channel'))).toBe('oil_pressure');
    station.clear('oil pressure low');
    await page.close();
  });

  it("never scrolls sideways, at any size, and keeps every control at least 24 pixels and alarms' at least 48", async () => {
    station.raise({ name: 'exhaust temperature 5 high', severity: 'caution', advice: 'Lift' });
    for (const [width, height] of [
      [1366, 768],
      [1024, 768],
      [768, 1024],
      [390, 844],
      [1920, 1080],
    ] as const) {
      const page = await browser.newPage({ viewport: { width, height } });
      for (const address of ['live', 'frames', 'sessions', 'sessions/12', 'plots?traces=12:engine_speed']) {
        await page.goto(`${station.url}/#/${address}`);
        await page.waitForSelector('h1');
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        expect([width, address, wide]).toEqual([width, address, 0]);
      }
      await page.goto(`${station.url}/#/live`);
      const button = await page.locator('.alarm-row .button').boundingBox();
      expect(button?.height).toBeGreaterThanOrEqual(48);
      expect([width, await tooSmall(page)]).toEqual([width, []]);
      await page.close();
    }
    station.clear('exhaust temperature 5 high');
  });
});
