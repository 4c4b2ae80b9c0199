// The Plots page in a real browser: over engine speed, pinched, moved by keys, and saved as CSV and PNG.
import { readFileSync } from 'node:fs';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { launchChromium } from './chromium.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

describe.skipIf('reason' in launched)('the Plots page', () => {
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
    const page = await browser.newPage({ viewport: { width: 1366, height: 900 } });
    await page.goto(`${station.url}/#/${address}`);
    await page.waitForFunction(() => (document.querySelector('.measures tbody td:nth-of-type(6)')?.textContent ?? '–') !== '–');
    return page;
  }

  /** From and to of the plot, as it is spoken. */
  async function stretch(page: Page): Promise<string> {
    const label = (await page.locator('.still-plot canvas').first().getAttribute('aria-label')) ?? '';
    return /, ([−\d:.]+ to [−\d:.]+)\. /.exec(label)?.[1] ?? '';
  }

  async function until(page: Page, isSo: (stretch: string) => boolean): Promise<void> {
    await expect.poll(async () => isSo(await stretch(page))).toBe(true);
  }

  it('draws over engine speed and back, with statistics of either', async () => {
    const page = await open('plots?traces=12:exhaust_temp_1');
    expect(await stretch(page)).toBe('0:00 to 10:00');
    await page.selectOption('.axis-choice select', 'speed');
    await until(page, (shown) => /^\d+ to \d{4}$/.test(shown));
    expect(page.url()).toContain('axis=speed');
    const canvas = page.locator('.still-plot canvas');
    await canvas.click({ position: { x: 300, y: 80 } });
    await canvas.click({ position: { x: 700, y: 80 } });
    await page.waitForFunction(() =>
      /^Between the cursors, [\d.]+ rpm apart/.test(document.querySelector('.measures caption')?.textContent ?? ''),
    );
    await page.waitForFunction(() => (document.querySelector('.measures tbody td:nth-of-type(7)')?.textContent ?? '–') !== '–');
    await page.selectOption('.axis-choice select', 'time');
    await until(page, (shown) => shown === '0:00 to 10:00');
    await page.close();
  });

  it('draws a channel of the live session, beside one of a recorded one', async () => {
    const page = await open('plots?traces=12:exhaust_temp_1,live:exhaust_temp_1');
    await page.waitForFunction(() => {
      const lowest = [...document.querySelectorAll('.measures tbody tr')].map(
        (row) => row.querySelector('td:nth-of-type(4)')?.textContent ?? '–',
      );
      return lowest.length === 2 && lowest.every((text) => text !== '–');
    });
    await page.close();
  });

  it('leads from a lowest value to the sample behind it', async () => {
    const page = await open('plots?traces=12:exhaust_temp_1');
    await page.locator('.measures tbody td:nth-of-type(4) .why-at').click();
    await page.waitForFunction(() => /exhaust_temp_1.* of the session\)/.test(document.querySelector('.why')?.textContent ?? ''));
    await page.close();
  });

  it('follows two fingers, the wheel and keys', async () => {
    const page = await open('plots?traces=12:engine_speed');
    const canvas = page.locator('.still-plot canvas');
    const fingers = (kind: string, places: [id: number, x: number][]) =>
      canvas.evaluate(
        (node, [type, all]) => {
          const { left, top } = node.getBoundingClientRect();
          for (const [pointerId, x] of all) {
            const init = { pointerId, clientX: left + x, clientY: top + 80, bubbles: true, pointerType: 'touch' };
            // A made-up pointer can't be captured.
            node.setPointerCapture = () => undefined;
            node.dispatchEvent(new PointerEvent(type, init));
          }
        },
        [kind, places] as const,
      );
    await fingers('pointerdown', [
      [1, 500],
      [2, 600],
    ]);
    await fingers('pointermove', [
      [1, 400],
      [2, 700],
    ]);
    await fingers('pointerup', [
      [1, 400],
      [2, 700],
    ]);
    // Three times as far apart: a third of ten minutes in sight, and no cursor set.
    await until(page, (shown) => shown !== '0:00 to 10:00');
    const seconds = (text: string) => text.split(':').reduce((sum, part) => sum * 60 + Number(part), 0);
    const [from = 0, to = 0] = (await stretch(page)).split(' to ').map(seconds);
    expect(to - from).toBeCloseTo(200, 0);
    expect(await page.getByRole('button', { name: 'No cursors' }).isDisabled()).toBe(true);
    await canvas.focus();
    await page.keyboard.press('Enter');
    await page.waitForFunction(() => (document.querySelector('.measures tbody td')?.textContent ?? '–') !== '–');
    const before = await stretch(page);
    await page.keyboard.press('-');
    await until(page, (shown) => shown !== before);
    await page.close();
  });

  it('saves what is shown as CSV and as a picture', async () => {
    const page = await open('plots?traces=12:engine_speed,12:exhaust_temp_1');
    const [csv] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'CSV' }).click()]);
    const [head, first] = readFileSync(await csv.path(), 'utf8').split('\n');
    expect(head).toBe(
      'seconds,engine_speed [rpm] low,engine_speed [rpm] high,engine_speed [rpm] quality,exhaust_temp_1 [degC] low,exhaust_temp_1 [degC] high,exhaust_temp_1 [degC] quality',
    );
    expect(first).toMatch(/^0\.000000,[\d.]+,[\d.]+,ok,/);
    const [png] = await Promise.all([page.waitForEvent('download'), page.getByRole('button', { name: 'PNG' }).click()]);
    const picture = readFileSync(await png.path());
    expect(picture.subarray(1, 4).toString()).toBe('PNG');
    // Two plots of 16 rem, a title each, and the foot.
    expect(picture.readUInt32BE(20)).toBeGreaterThan(2 * 200);
    await page.close();
  });
});
