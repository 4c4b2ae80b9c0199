// Replay and plots in a real browser, against the scripted station's sessions.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { valuesAt } from '../doubles/engine-waves.ts';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { untilSeen } from '../waiting.ts';
import { launchChromium } from './chromium.ts';
import { writeScriptedBus } from './scripted-bus-file.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

describe.skipIf('reason' in launched)('a replay', () => {
  const { browser } = launched as { browser: Browser };
  let station: StationDouble;

  beforeAll(async () => {
    station = await StationDouble.start(straightSix);
  });
  afterAll(async () => {
    await station.close();
    await browser.close();
  });

  async function open(address: string): Promise<Page> {
    const page = await browser.newPage({ viewport: { width: 1366, height: 768 } });
    await page.goto(`${station.url}/#/${address}`);
    return page;
  }

  async function speedShown(page: Page): Promise<number> {
    return Number(await page.locator('.replay [data-channel="engine_speed"] .number').first().textContent());
  }

  /** What the session holds at that second, as the page writes it. */
  function speedAt(seconds: number): number {
    return Math.round(valuesAt(station.view, seconds).get('engine_speed') ?? Number.NaN);
  }

  it('shows the instant that was asked for, and is visibly not live', async () => {
    const page = await open('sessions/12?at=50000000');
    await page.waitForFunction(
      (speed) => document.querySelector('.replay [data-channel="engine_speed"] .number')?.textContent === String(speed),
      speedAt(50),
    );
    expect(await page.locator('.replay-band').textContent()).toContain('Replay, not live');
    expect(await page.locator('.replay').evaluate((node) => getComputedStyle(node).backgroundImage)).toContain('repeating-linear-gradient');
    await page.close();
  });

  it('plays, pauses, steps by frame and by marker, and jumps', async () => {
    const page = await open('sessions/12?at=50000000');
    await page.waitForSelector('.transport');
    await page.click('.play');
    await page.waitForFunction(() => document.querySelector('.play')?.textContent === 'Pause');
    await page.waitForFunction(() => Number(document.querySelector<HTMLInputElement>('.line input')?.value) > 50_300_000);
    // Its time runs: a screen reader would never be silent.
    expect(await page.getAttribute('.time-line output', 'aria-live')).toBe('off');
    await page.click('.play');
    const stopped = await page.inputValue('.line input');
    // The slider's own steps are 10 ms: a first step from within one may not show. It ends at a frame, and from there the next does.
    const stepped = page.waitForResponse(/\/step\?/);
    await page.getByRole('button', { name: '+1 frame' }).click();
    await stepped;
    await page.getByRole('button', { name: '+1 frame' }).click();
    await page.waitForFunction((before) => document.querySelector<HTMLInputElement>('.line input')?.value !== before, stopped);
    // The frames of the scripted sessions come every 20 ms.
    expect(Number(await page.inputValue('.line input')) - Number(stopped)).toBeLessThanOrEqual(40_000);
    await page.getByRole('button', { name: 'mark › after' }).click();
    await page.waitForFunction(() => document.querySelector<HTMLInputElement>('.line input')?.value === '88000000');
    await page.waitForFunction(
      (speed) => document.querySelector('.replay [data-channel="engine_speed"] .number')?.textContent === String(speed),
      speedAt(88),
    );
    expect(await speedShown(page)).toBe(speedAt(88));
    await page.close();
  });

  it('jumps by the arrow keys behind a press of a button too, and a button keeps the space bar for itself', async () => {
    const page = await open('sessions/12?at=50000000');
    await page.waitForSelector('.transport');
    const at = () => page.inputValue('.line input').then(Number);
    const stepped = page.getByRole('button', { name: '+1 frame' });
    await stepped.click();
    await expect.poll(at).toBeGreaterThanOrEqual(50_000_000);
    await page.keyboard.press('ArrowRight');
    await expect.poll(at).toBeGreaterThan(54_500_000);
    await page.keyboard.press('ArrowLeft');
    await expect.poll(at).toBeLessThan(50_500_000);
    await page.keyboard.press('Space');
    expect(await page.locator('.play').textContent()).toBe('Play');
    await page.close();
  });

  it('has its buttons in two rows on a phone, none alone in one, and all of them within reach of a thumb', async () => {
    const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
    await page.goto(`${station.url}/#/sessions/12?at=1000000`);
    await page.waitForSelector('.transport-buttons');
    const rows = await page.locator('.transport-buttons > *').evaluateAll((nodes) => {
      const tops = new Map<number, number>();
      for (const node of nodes)
        tops.set(Math.round(node.getBoundingClientRect().top), (tops.get(Math.round(node.getBoundingClientRect().top)) ?? 0) + 1);
      return [...tops.values()];
    });
    expect(rows).toEqual([5, 3]);
    const heights = await page
      .locator('.transport-buttons button, .transport-buttons select')
      .evaluateAll((nodes) => nodes.map((node) => node.getBoundingClientRect().height));
    expect(Math.min(...heights)).toBeGreaterThanOrEqual(48);
    await page.close();
  });

  it('has nothing to acknowledge with', async () => {
    const page = await open('sessions/12');
    await page.waitForSelector('.transport');
    expect(await page.getByRole('button', { name: /acknowledge/i }).count()).toBe(0);
    await page.close();
  });

  it('draws the minute before the instant, also after a jump back', async () => {
    const page = await open('sessions/12?at=400000000');
    const plot = page.locator('.replay figure[data-plot="Engine speed"]');
    interface Drawn {
      zeroUs: number;
      traces: { points: { x: number; y: number }[] }[];
    }
    const whole = async (zeroUs: number) => {
      const drawn = await untilSeen(
        () => plot.evaluate((node) => (node as unknown as { drawnPoints?(): Drawn }).drawnPoints?.()),
        (seen) => seen?.zeroUs === zeroUs && (seen.traces[0]?.points.length ?? 0) > 100,
      );
      return drawn?.traces[0]?.points ?? [];
    };
    for (const seconds of [400, 42]) {
      if (seconds === 42) await page.locator('.marker').first().click();
      const points = await whole(seconds * 1e6);
      expect(points[0]?.x).toBeLessThan(seconds === 400 ? -59 : -41);
      expect(points.at(-1)?.x).toBeGreaterThan(-1);
    }
    await page.close();
  });

  it('measures between two cursors on the Plots page', async () => {
    const page = await open('plots?traces=12:engine_speed');
    const canvas = page.locator('.still-plot canvas');
    await page.waitForFunction(() => (document.querySelector('.measures tbody td:nth-of-type(5)')?.textContent ?? '–') !== '–');
    await canvas.click({ position: { x: 300, y: 80 } });
    await canvas.click({ position: { x: 700, y: 80 } });
    await page.waitForFunction(() => document.querySelector('.measures caption')?.textContent?.startsWith('Between the cursors'));
    const cells = await page.locator('.measures tbody td').allTextContents();
    const [a, b, difference] = cells.map((text) => Number(text.replace('−', '-')));
    expect(difference).toBeCloseTo((b ?? 0) - (a ?? 0), 0);
    await canvas.focus();
    const before = await canvas.getAttribute('aria-label');
    await page.keyboard.press('+');
    await page.waitForFunction((old) => document.querySelector('.still-plot canvas')?.getAttribute('aria-label') !== old, before);
    await page.close();
  });
});

describe.skipIf('reason' in launched)('a session that a real server recorded', () => {
  it('is listed, and replayed with the values that were live', async () => {
    const again = await launchChromium();
    if ('reason' in again) throw new Error(again.reason);
    const serving = await Serving.start({ args: writeScriptedBus(600).args });
    const page = await again.browser.newPage({ viewport: { width: 1366, height: 768 } });
    await page.goto(`${serving.url}/#/sessions`);
    await page.locator('.session').first().getByRole('link', { name: 'Replay' }).click();
    await page.waitForSelector('.transport');
    // Nothing of a recording is stored before its first slice, ten seconds long, is whole.
    await page.waitForFunction(() => Number(document.querySelector<HTMLInputElement>('.line input')?.max) > 5_000_000, undefined, {
      timeout: 30_000,
    });
    // The file holds 3000 + 1500 sin(t / 2) rpm at t seconds from its first frame.
    await page.locator('.line input').evaluate((input) => {
      const slider = input as HTMLInputElement;
      slider.value = String(Number(slider.min) + 1_000_000);
      slider.dispatchEvent(new Event('input', { bubbles: true }));
    });
    const expected = 3000 + 1500 * Math.sin(0.5);
    await page.waitForFunction(
      (speed) => {
        const shown = Number(document.querySelector('.replay [data-channel="engine_speed"] .number')?.textContent);
        // Live recorded time begins at the first frame, give or take its arrival.
        return Math.abs(shown - speed) < 60;
      },
      expected,
      { timeout: 40_000 },
    );
    await again.browser.close();
    await serving.stop();
  });
});
