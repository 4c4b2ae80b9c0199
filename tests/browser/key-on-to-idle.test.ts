// A key-on to idle, watched on a tablet: the bus wakes, the engine is cranked, fires and idles, and everything of it is recorded.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { afterAll, describe, expect, it } from 'vitest';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

/** From cold; a key-on that a slow browser sees too, and a warm-up long enough for every port to be hot. */
const scenario = `
scenario: key-on-to-idle
seed: 7
ambient: { temperature: 16 degC, pressure: 99.1 kPa }
start: cold
stages:
  - { stage: key_on, for: 20 s }
  - { stage: start, for: 8 s }
  - { stage: idle, for: 120 s }
`;

describe.skipIf('reason' in launched)('a key-on to idle', () => {
  const { browser } = launched as { browser: Browser };
  afterAll(() => browser.close());

  it('shows key-on, cranking, firing and idle as they are, raises no warning, and is in the list of sessions', async () => {
    const folder = mkdtempSync(join(tmpdir(), 'evenburn-key-on-'));
    const path = join(folder, 'scenario.yaml');
    writeFileSync(path, scenario);
    const serving = await Serving.start({ args: ['--bus', `engine=simulator:${path}`, '--bus', `hull=simulator:${path}`] });
    const page = await browser.newPage({ viewport: { width: 1024, height: 768 }, hasTouch: true });
    await page.goto(`${serving.url}/#/live`);
    await page.waitForSelector('.state[data-state="live"]');
    /** Waits until the reading says a number in [from, to), however long the engine takes to it. */
    const until = (channel: string, from: number, to: number) =>
      page.waitForFunction(
        ([name, low, high]) => {
          const reading = document.querySelector(`.live-main [data-channel="${name}"][data-quality="ok"] .number`);
          const value = Number((reading?.textContent || 'none').replace('−', '-'));
          return value >= Number(low) && value < Number(high);
        },
        [channel, from, to] as const,
        { timeout: 40_000, polling: 50 },
      );
    await until('engine_speed', 0, 1);
    await until('battery_voltage', 11, 13.2);
    // Cranking: above 50 rpm and below the 400 rpm that the vehicle file calls running.
    await until('engine_speed', 50, 400);
    await until('engine_speed', 400, 4000);
    await until('oil_pressure', 100, 1000);
    await until('battery_voltage', 13, 15.5);
    for (let cylinder = 1; cylinder <= 6; cylinder++) await until(`exhaust_temp_${cylinder}`, 150, 780);
    expect(await page.locator('[role="alertdialog"]').count()).toBe(0);
    expect(await page.locator('.state[data-state="whole"]').textContent()).toBe('None lost');
    await page.goto(`${serving.url}/#/sessions`);
    await page.waitForSelector('.session >> nth=0');
    expect(await page.locator('.session').count()).toBe(1);
    await page.close();
    await serving.stop();
    rmSync(folder, { recursive: true, force: true });
  });
});
