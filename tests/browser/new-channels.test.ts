// From a manual's table, and from frames that nobody documented, to channels of a running server: pasted, laid out, searched, written, read.
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { WhyView } from '../../server/contract/why.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const seconds = 240;
const vehicleText = `vehicle: Test bench
buses:
  bench: { bit_rate: 500 kbit/s, interface: can0, devices: [box] } # one bus
`;
const boxText = `device: box
frames:
  - name: known
    id: 0x300
    length: 4
    period: 20 ms
    signals:
      - { name: lever,   bytes: 0 } # 1 while somebody pulls it
      - { name: gauge, bytes: 2..3, byte_order: big, factor: 0.1, unit: kPa }
`;

/** Pulled for 3 s, let go for 3 s, from second 3 on. */
const isPulled = (s: number) => s % 6 >= 3;
const wave = (s: number) => 500 + 300 * Math.sin(s / 1.7) + 100 * Math.sin(s / 0.6);

/** The known frame, one that follows the lever, one that measures what the gauge does, one of the manual, and noise. */
function writeBus(path: string): void {
  const lines: string[] = [];
  let slow = 0;
  let noise = 1;
  const word = (value: number) => Math.round(value).toString(16).toUpperCase().padStart(4, '0');
  const swapped = (value: number) => word(value).replace(/(..)(..)/, '$2$1');
  for (let i = 0; i < seconds * 50; i++) {
    const s = i / 50;
    slow += ((isPulled(s) ? 1 : 0) - slow) * (1 - Math.exp(-0.02 / 0.3));
    noise = (Math.imul(noise, 1103515245) + 12345) >>> 0;
    const random = word(noise >>> 16);
    const at = (ms: number) => (1_700_000_000 + s + ms / 1000).toFixed(6);
    lines.push(`(${at(0)}) can0 300#${isPulled(s) ? '01' : '00'}00${word(wave(s) * 10)}`);
    lines.push(`(${at(2)}) can0 310#${random}${word(400 + 3000 * slow)}FFFF${random}`);
    lines.push(`(${at(4)}) can0 320#${random}0000${swapped(1000 + 40 * wave(s))}FFFF`);
    lines.push(`(${at(6)}) can0 330#${word(2345)}${random}`);
  }
  writeFileSync(path, `${lines.join('\n')}\n`);
}

describe.skipIf('reason' in launched)('new channels', () => {
  const { browser } = launched as { browser: Browser };
  const root = mkdtempSync(join(tmpdir(), 'evenburn-new-channels-'));
  const folder = join(root, 'bench');
  let serving: Serving;

  beforeAll(async () => {
    mkdirSync(join(folder, 'devices'), { recursive: true });
    writeFileSync(join(folder, 'vehicle.yaml'), vehicleText);
    writeFileSync(join(folder, 'devices/box.yaml'), boxText);
    const log = join(root, 'bench.log');
    writeBus(log);
    serving = await Serving.start({ args: ['--vehicle', folder, '--bus', `bench=file:${log}`] });
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(root, { recursive: true, force: true });
  });

  const read = (path: string) => readFileSync(join(folder, path), 'utf8');

  async function open(address: string, size = { width: 1024, height: 768 }): Promise<Page> {
    const context = await browser.newContext({ viewport: size, bypassCSP: true, reducedMotion: 'reduce' });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('.state[data-state="live"]');
    await page.waitForSelector('h1');
    return page;
  }

  async function numberOf(channel: string): Promise<number | null | undefined> {
    const answer = await fetch(`${serving.url}/api/why/${channel}`);
    return ((await answer.json()) as WhyView).nodes[0]?.value;
  }

  describe('from a table', () => {
    const table = `Rev 3, page 12
CAN ID;Message;Parameter;Start byte;Bytes;Endian;Scale;Unit;Level
0x330;Brakes;Front pressure;0;2;big;0.1;kPa;high
;;Rear pressure;1;2;big;0.1;kPa;low
`;

    it('are laid out bit by bit with conflicts marked, mended, saved as a device on its bus, and read', async () => {
      const page = await open('frames');
      await page.click('a:text("Import a table")');
      await page.fill('#table-text', table);
      await page.waitForSelector('.layout-frame[data-frame="brakes"]');
      // Bytes 0 and 1, and 1 and 2: all of byte 1 is claimed twice.
      expect(await page.locator('.bit[data-clash]').count()).toBe(8);
      expect(await page.locator('.bit[data-clash]').first().textContent()).toBe('!');
      expect(await page.locator('.row-notes[data-kind="conflict"] li').textContent()).toMatch(
        /Row 4.*rear_pressure.*front_pressure.*row 3/,
      );
      await page.fill('.save-form input >> nth=0', 'brake-box');
      expect(await page.locator('.save-form button').isDisabled()).toBe(true);
      expect(await violations(page)).toEqual([]);
      expect(await tooSmall(page)).toEqual([]);
      await page.fill('#table-text', table.replace('pressure;1;2', 'pressure;2;2'));
      await page.waitForSelector('.row-notes[data-kind="conflict"]', { state: 'detached' });
      expect(await page.locator('.bit[data-clash]').count()).toBe(0);
      await page.selectOption('.save-form select', 'bench');
      await page.click('.save-form button');
      await page.waitForSelector('.save-form code:text("devices/brake-box.yaml")');
      expect(read('devices/brake-box.yaml')).toContain('{ name: front_pressure, bytes: 0..1, byte_order: big, factor: 0.1, unit: kPa }');
      expect(read('vehicle.yaml')).toBe(vehicleText.replace('[box]', '[box, brake-box]'));
      await expect.poll(() => numberOf('front_pressure')).toBe(234.5);
      await page.click('.save-form a:text("All frames")');
      await page.waitForSelector('.frame-row[data-frame="brakes"]');
      await page.context().close();
    });

    it('keep a device of the same name untouched, and say so', async () => {
      const page = await open('tables');
      await page.fill('#table-text', 'id,name,bytes\n0x331,other,0\n');
      await page.fill('.save-form input >> nth=0', 'box');
      await page.click('.save-form button');
      expect(await page.locator('.tables-page [role="alert"]').textContent()).toContain(
        "there is a device 'box' already, in devices/box.yaml",
      );
      expect(read('devices/box.yaml')).toBe(boxText);
      await page.context().close();
    });

    it('are read from columns that are named by hand, and from a file that is opened', async () => {
      const page = await open('tables', { width: 390, height: 844 });
      await page.setInputFiles('input[type="file"]', {
        name: 'table.csv',
        mimeType: 'text/csv',
        buffer: Buffer.from('Kennung,Was,Wo\n0x340,Druck,6-7\n'),
      });
      const choose = (heading: string, field: string) =>
        page.locator('.column-list li', { hasText: heading }).locator('select').selectOption(field);
      await page.waitForSelector('.column-list li');
      await choose('Kennung', 'id');
      await choose('Was', 'name');
      await choose('Wo', 'byte');
      await page.waitForSelector('.layout-frame');
      expect(await page.locator('.layout-signals li').textContent()).toContain('druck bytes 6 to 7');
      expect(await page.locator('.bit[data-taken]').count()).toBe(16);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
      expect(await violations(page)).toEqual([]);
      await page.context().close();
    });
  });

  describe('from frames that nobody documented', () => {
    it('are found by a channel that they follow, written down with their scaling, and read', async () => {
      const page = await open('finder');
      // Enough of the wave must have come.
      await expect.poll(async () => (await (await fetch(`${serving.url}/api/frames`)).json()).timeUs).toBeGreaterThan(8e6);
      await page.fill('.channel-choice input', 'gauge');
      await page.click('.search-form button:text("Search")');
      const first = page.locator('.finding').first();
      await first.waitFor();
      expect(await first.locator('h3').textContent()).toMatch(/0x320 on bench, bytes 4 to 5, low byte first/);
      await page.waitForSelector('.finding .plot canvas');
      expect(await first.locator('.bit[data-lit]').count()).toBe(16);
      expect(await violations(page)).toEqual([]);
      expect(await tooSmall(page)).toEqual([]);
      await first.locator('button:text("Write it down")').click();
      // 1000 + 40 × wave is wave again after × 0.025 − 25.
      const label = (says: string) => first.locator('.accept-form label', { hasText: says }).locator('input');
      expect(Number(await label('Factor').inputValue())).toBeCloseTo(0.025, 4);
      await label('Name of the channel').fill('second_gauge');
      await label('Factor').fill('0.025');
      await label('Offset').fill('-25');
      await first.locator('.accept-form button').click();
      await first.locator('.finding-saved .reading[data-quality="ok"]').waitFor();
      const added =
        '  - { name: second_gauge_frame, id: 0x320, length: 8, signals: [{ name: second_gauge, bytes: 4..5, factor: 0.025, offset: -25, unit: kPa }] }';
      expect(read('devices/box.yaml')).toBe(`${boxText}${added}\n`);
      // One wave, measured 4 ms later and half a step apart.
      const [a, b] = [await numberOf('gauge'), await numberOf('second_gauge')];
      expect(Math.abs((a ?? 0) - (b ?? 0))).toBeLessThan(60);
      await page.context().close();
    });

    it('are found by what somebody does, pressed at its begin and its end', async () => {
      const page = await open('finder', { width: 390, height: 844 });
      await page.check('.search-form input[type="radio"] >> nth=1');
      const press = page.locator('.did-now');
      const until = (pulled: boolean) => expect.poll(() => numberOf('lever'), { interval: 30 }).toBe(pulled ? 1 : 0);
      for (let time = 0; time < 2; time++) {
        await until(false);
        await until(true);
        await press.click();
        expect(await press.getAttribute('aria-pressed')).toBe('true');
        await until(false);
        await press.click();
      }
      expect(await page.locator('.did-list li').count()).toBe(2);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
      await page.click('.search-form button:text("Search")');
      const first = page.locator('.finding').first();
      await first.waitFor();
      expect(await first.locator('h3').textContent()).toMatch(/0x310 on bench, bytes 2 to 3, high byte first/);
      expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
      await page.context().close();
    });

    it('say what could be done when nothing follows', async () => {
      const page = await open('finder?session=1');
      await page.check('.search-form input[type="radio"] >> nth=1');
      await page.fill('.typed-stretch input >> nth=0', '0.1');
      await page.fill('.typed-stretch input >> nth=1', '0,6');
      await page.click('.typed-stretch button');
      expect(await page.locator('.did-list li').textContent()).toContain('0.1 s to 0.6 s');
      await page.click('.did-list li button');
      expect(await page.locator('.search-form button:text("Search")').isDisabled()).toBe(true);
      await page.context().close();
    });
  });
});
