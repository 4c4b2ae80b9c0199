// What a browser has for itself: units, the sign before decimals and names, a screen that stays awake, sound after one tap, a place on the home screen.
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { launchChromium } from './chromium.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

/** Stand-ins for what a headless browser has no screen or ears for; each writes down what it was asked. */
function standIns(): void {
  const asked = { awake: 0, released: 0, tones: 0 };
  Object.assign(globalThis, { asked });
  const request = async () => {
    asked.awake++;
    const lock = new EventTarget();
    const release = async () => {
      asked.released++;
      lock.dispatchEvent(new Event('release'));
    };
    return Object.assign(lock, { release });
  };
  Object.defineProperty(navigator, 'wakeLock', { value: { request }, configurable: true });
  const create = AudioContext.prototype.createOscillator;
  AudioContext.prototype.createOscillator = function (this: AudioContext) {
    asked.tones++;
    return create.call(this);
  };
}

interface Asked {
  awake: number;
  released: number;
  tones: number;
}

describe.skipIf('reason' in launched)('a browser of its own', () => {
  const { browser } = launched as { browser: Browser };
  let station: StationDouble;
  let page: Page;
  const asked = () => page.evaluate(() => ({ ...(globalThis as unknown as { asked: Asked }).asked }));

  beforeAll(async () => {
    station = await StationDouble.start(straightSix);
  });
  beforeEach(async () => {
    const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, reducedMotion: 'reduce' });
    page = await context.newPage();
    await page.addInitScript(standIns);
    await page.goto(`${station.url}/#/live`);
    await page.waitForSelector('.state[data-state="live"]');
    await page.waitForSelector('.plot canvas');
  });
  afterEach(() => page.context().close());
  afterAll(async () => {
    await station.close();
    await browser.close();
  });

  it('shows temperatures, their differences and plots in °F and pressures in psi once chosen, and remembers it', async () => {
    station.hold('exhaust_temp_3', { value: 700 });
    await page.click('.looks-menu summary');
    await page.click('.unit-choices summary');
    await page.selectOption('.unit-choices label:has-text("Temperature") select', 'degF');
    await page.selectOption('.unit-choices label:has-text("Pressure") select', 'psi');
    const reading = '.live-main [data-channel="exhaust_temp_3"]';
    await page.waitForSelector(`${reading} .number:text-is("1292")`);
    expect(await page.locator(`${reading} .unit`).textContent()).toBe('°F');
    await page.waitForSelector('.plot:has-text("Exhaust temperature") .unit:text-is("°F")');
    const spoken = await page.locator('.plot[data-plot="Exhaust temperature"] canvas').getAttribute('aria-label');
    expect(spoken).toContain('°F');
    await page.reload();
    await page.waitForSelector(`${reading} .number:text-is("1292")`);
    expect(await page.locator('.live-main [data-channel="oil_pressure"] .unit').first().textContent()).toBe('psi');
    station.hold('exhaust_temp_3', undefined);
  });

  it('writes decimals with a comma, and calls a channel as this browser named it', async () => {
    station.hold('battery_voltage', { value: 13.8 });
    await page.click('.looks-menu summary');
    await page.selectOption('.looks label:has-text("Decimals") select', 'comma');
    await page.waitForSelector('[data-channel="battery_voltage"] .number:text-is("13,8")');
    await page.click('.looks-menu summary');
    await page.click('.live-main [data-channel="oil_pressure"] >> nth=0');
    await page.fill('.name-here input', 'Main gallery');
    await page.keyboard.press('Tab');
    await page.keyboard.press('Escape');
    await page.click('.channels summary');
    await page.fill('.channels input', 'gallery');
    expect(await page.locator('.channels li').allTextContents()).toEqual([expect.stringContaining('oil_pressure Main gallery')]);
    station.hold('battery_voltage', undefined);
  });

  it('keeps the screen awake while live, again after the tab was hidden, and lets it sleep when told to', async () => {
    await page.waitForFunction(() => (globalThis as unknown as { asked: Asked }).asked.awake === 1);
    // The browser takes the lock away when a tab is hidden, and gives none until it is seen again.
    await page.evaluate(() => {
      Object.defineProperty(document, 'hidden', { value: true, configurable: true });
      document.dispatchEvent(new Event('visibilitychange'));
    });
    await page.click('.looks-menu summary');
    await page.selectOption('.looks label:has-text("Screen") select', 'never');
    await page.waitForFunction(() => (globalThis as unknown as { asked: Asked }).asked.released === 1);
    await page.evaluate(() => {
      Object.defineProperty(document, 'hidden', { value: false, configurable: true });
      document.dispatchEvent(new Event('visibilitychange'));
    });
    expect((await asked()).awake).toBe(1);
    await page.selectOption('.looks label:has-text("Screen") select', 'live');
    await page.waitForFunction(() => (globalThis as unknown as { asked: Asked }).asked.awake === 2);
    await page.waitForSelector('.looks:has-text("The screen stays awake.")');
  });

  it('is silent and says so until one tap, sounds a test tone then, and every warning until it is acknowledged', async () => {
    station.raise({ name: 'early', severity: 'warning', advice: 'Look' });
    await page.waitForSelector('[role="alertdialog"]');
    expect((await asked()).tones).toBe(0);
    expect(await page.locator('.sound').textContent()).toBe('Sound off');
    station.clear('early');
    await page.waitForSelector('[role="alertdialog"]', { state: 'detached' });
    await page.click('.sound');
    await page.waitForSelector('.sound[data-state="on"]');
    expect((await asked()).tones).toBe(2);
    station.raise({ name: 'oil pressure low', severity: 'warning', advice: 'Shut down now' });
    // Four tones a round, and another round after it.
    await page.waitForFunction(() => (globalThis as unknown as { asked: Asked }).asked.tones >= 10);
    station.clear('oil pressure low');
    await page.waitForSelector('[role="alertdialog"]', { state: 'detached' });
    const drawnUntil = () =>
      page.evaluate(
        () => document.querySelector<HTMLElement & { drawnPoints?(): { zeroUs: number } }>('figure[data-plot]')?.drawnPoints?.().zeroUs,
      );
    const passes = async (us: number) => {
      const before = Number(await drawnUntil());
      await expect.poll(drawnUntil).toBeGreaterThan(before + us);
    };
    // A round that began at that moment is over; another one would come within the 1.6 s of data that follow.
    await passes(500_000);
    const { tones } = await asked();
    await passes(2_000_000);
    expect((await asked()).tones).toBe(tones);
  });

  it('can be put on the home screen: a manifest within its own scope, with icons of the sizes that it says', async () => {
    const found = await page.evaluate(async () => {
      const link = document.querySelector<HTMLLinkElement>('link[rel="manifest"]');
      const manifest = await (await fetch(link?.href ?? '')).json();
      const touch = document.querySelector<HTMLLinkElement>('link[rel="apple-touch-icon"]')?.href ?? '';
      const icons = [
        ...manifest.icons.map(({ src, sizes }: { src: string; sizes: string }) => [new URL(src, link?.href).href, sizes]),
        [touch, '180x180'],
      ];
      const sizes = await Promise.all(
        icons.map(async ([src, said]) => {
          const image = new Image();
          image.src = src;
          await image.decode();
          return [said, said === 'any' ? 'any' : `${image.naturalWidth}x${image.naturalHeight}`, new URL(src).origin === location.origin];
        }),
      );
      return { display: manifest.display, start: new URL(manifest.start_url, link?.href).href, sizes };
    });
    expect(found.display).toBe('standalone');
    expect(found.start).toBe(`${station.url}/`);
    for (const [said, is, own] of found.sizes) expect([said, own]).toEqual([is, true]);
    expect(found.sizes.map(([said]) => said)).toEqual(expect.arrayContaining(['192x192', '512x512', '180x180']));
  });
});
