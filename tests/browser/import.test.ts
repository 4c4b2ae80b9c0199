// A recorded file brought in on the Sessions page, in a real browser: seen for what it is, columns named, followed into a session, cancelled, refused.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { gzipSync } from 'node:zlib';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);
const { browser } = launched as { browser: Browser };
afterAll(async () => {
  if (!('reason' in launched)) await browser.close();
});

/** A text log of the demo vehicle's buses: 2 frames each 10 ms. */
function textLog(seconds: number): string {
  const lines: string[] = [];
  for (let i = 0; i < seconds * 100; i++) {
    const time = `${1_700_000_000 + Math.floor(i / 100)}.${String((i % 100) * 10_000).padStart(6, '0')}`;
    lines.push(`(${time}) can0 512#${String(i % 90).padStart(2, '0')}64000000000000`, `(${time}) can1 123#00`);
  }
  return `${lines.join('\n')}\n`;
}

describe.skipIf('reason' in launched)('Import a recording', () => {
  let folder: string;
  let serving: Serving;
  let page: Page;
  const complaints: string[] = [];

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), 'evenburn-import-page-'));
    serving = await Serving.start({ data: join(folder, 'data') });
    page = await browser.newPage({ bypassCSP: true, viewport: { width: 390, height: 844 } });
    page.on('pageerror', (error) => complaints.push(error.message));
    await page.goto(`${serving.url}/#/sessions`);
    await page.getByText('Import a recording').click();
  });
  afterAll(async () => {
    await page?.close();
    await serving?.stop();
    rmSync(folder, { recursive: true, force: true });
  });

  const panel = () => page.locator('.import-panel');
  const choose = async (name: string, content: string | Uint8Array) => {
    writeFileSync(join(folder, name), content);
    await panel().locator('input[type="file"]').setInputFiles(join(folder, name));
    await panel().locator('.import-chosen', { hasText: name }).waitFor();
  };
  const field = (name: string) => panel().getByRole('combobox', { name, exact: true });
  const job = (name: string) => panel().locator('.import-job', { hasText: name });

  it('says what a file is, sends it, and ends with the session to open', async () => {
    await choose('evening.log.gz', gzipSync(textLog(20)));
    expect(await panel().getByRole('status').textContent()).toContain('text log; its beginning reads well');
    await panel().getByRole('button', { name: 'Import evening.log.gz' }).click();
    await job('evening.log.gz').and(page.locator('[data-state="done"]')).waitFor();
    expect(await job('evening.log.gz').textContent()).toMatch(/4,000 frames, session \d+/);
    await job('evening.log.gz').getByRole('link').click();
    await page.waitForFunction(() => /#\/sessions\/\d+/.test(location.hash));
    await page.goBack();
    await page.getByText('Import a recording').click();
  });

  it('asks what the columns of a table hold, beginning with what they sound like', async () => {
    const rows = Array.from({ length: 300 }, (_, i) => `${1000 + i * 10};512;6400;can0`);
    await choose('table.csv', `Stamp;Node;Payload;Net\n${rows.join('\n')}\n`);
    expect(await panel().getByRole('status').textContent()).toContain('Say which column holds what');
    const importIt = panel().getByRole('button', { name: 'Import table.csv' });
    expect(await importIt.isDisabled()).toBe(true);
    await field('Time').selectOption('Stamp');
    await field('Time is').selectOption('in milliseconds');
    await field('Id').selectOption('Node');
    await field('Data bytes, in hexadecimal').selectOption('Payload');
    await field('Interface').selectOption('Net');
    await panel().getByText('its beginning reads well').waitFor();
    expect(await violations(page)).toEqual([]);
    await importIt.click();
    await job('table.csv').and(page.locator('[data-state="done"]')).waitFor();
    expect(await job('table.csv').textContent()).toContain('300 frames');
  });

  it('names interfaces that no bus has, and takes a bus that is chosen for all', async () => {
    await choose('other.log', textLog(1).replaceAll('can1', 'can7'));
    expect(await panel().getByRole('status').textContent()).toContain('Frames of can7 belong to no bus');
    await field('Bus').selectOption('all frames are of hull');
    await panel().locator('.import-chosen', { hasNotText: 'can7' }).waitFor();
    await panel().getByRole('button', { name: 'Import other.log' }).click();
    await job('other.log').and(page.locator('[data-state="done"]')).waitFor();
    expect(await job('other.log').textContent()).toContain('200 frames');
  });

  it('cancels one that is under way, and leaves no session', async () => {
    await choose('long.log', textLog(6000));
    await panel().getByRole('button', { name: 'Import long.log' }).click();
    await job('long.log')
      .getByText(/frames\/s/)
      .waitFor();
    expect(await job('long.log').textContent()).toMatch(/\d+ %, [\d,]+ frames, [\d,]+ frames\/s/);
    await panel().getByRole('button', { name: 'Cancel long.log' }).click();
    await job('long.log').and(page.locator('[data-state="cancelled"]')).waitFor();
    const { sessions } = (await (await fetch(`${serving.url}/api/sessions`)).json()) as { sessions: { origin: string }[] };
    const origins = sessions.map(({ origin }) => origin);
    expect(origins).toEqual(expect.arrayContaining(['evening.log.gz', 'table.csv', 'other.log']));
    expect(origins).not.toContain('long.log');
  });

  it('refuses what is no recording, with the reason', async () => {
    await choose('letter.txt', 'a letter\nto a friend\n');
    expect(await panel().getByRole('status').textContent()).toContain('not a recording that can be read');
    expect(await panel().getByRole('button', { name: 'Import letter.txt' }).isDisabled()).toBe(true);
  });

  it('fits a phone, with targets for fingers', async () => {
    const wide = await page.evaluate(() => document.documentElement.scrollWidth > innerWidth);
    const low = await panel().evaluate(
      (node) =>
        [...node.querySelectorAll('button, select, input, summary, a.button')].filter((each) => each.getBoundingClientRect().height < 47.5)
          .length,
    );
    expect({ wide, low, complaints }).toEqual({ wide: false, low: 0, complaints: [] });
  });
});
