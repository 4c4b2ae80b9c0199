// The Sessions page in a real browser, on a real server with recorded sessions; and a report as a file: it prints, and what people wrote stays words.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { importFrames } from '../../server/recording/import-session.ts';
import { toReportPage } from '../../server/report/report-page.ts';
import { canTrace } from '../doubles/can-trace.ts';
import { makeReportData } from '../doubles/report-of-double.ts';
import { testVehicle } from '../recording/test-vehicle.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);
const { browser } = launched as { browser: Browser };
afterAll(async () => {
  if (!('reason' in launched)) await browser.close();
});

describe.skipIf('reason' in launched)('the Sessions page', () => {
  let data: string;
  let serving: Serving;
  let page: Page;
  const complaints: string[] = [];

  beforeAll(async () => {
    data = mkdtempSync(join(tmpdir(), 'evenburn-pages-'));
    for (const seed of [1, 2]) {
      const frames = [canTrace({ seed, seconds: 12, ids: 8, startUs: 1_700_000_000_000_000 })];
      await importFrames(data, testVehicle({ ids: 6 }), { frames, origin: `made-${seed}.log`, remarks: () => [] }, 0);
    }
    serving = await Serving.start({ data, args: ['--keep', '40GB'] });
    page = await browser.newPage({ viewport: { width: 1366, height: 900 } });
    page.on('console', (message) => message.type() === 'error' && complaints.push(message.text()));
    page.on('pageerror', (error) => complaints.push(error.message));
    await page.goto(`${serving.url}/#/sessions`);
    await page.waitForSelector('[data-session="2"]');
  });
  afterAll(async () => {
    await page?.close();
    await serving?.stop();
    rmSync(data, { recursive: true, force: true });
  });

  const row = (session: number) => page.locator(`[data-session="${session}"]`);
  const press = (session: number, name: string) => row(session).getByRole('button', { name, exact: true }).click();

  it('keeps what is said about a session, and finds it by that and by a channel', async () => {
    await press(1, 'Notes');
    await page.getByLabel('Name', { exact: true }).fill('<img src=x onerror=alert(1)>');
    await page.getByLabel('Tags').fill('dyno, second set');
    await page.getByLabel('Conditions').fill('fuel: methanol');
    await page.getByLabel('Note', { exact: true }).fill('plugs moved');
    await page.getByRole('button', { name: 'Keep' }).click();
    await row(1).locator('.tag').first().waitFor();
    expect(await row(1).locator('h2').textContent()).toContain('<img src=x onerror=alert(1)>');
    for (const [words, found] of [
      ['second moved', [1]],
      ['wander_3', [2, 1]],
      ['made-2', [2]],
    ] as const) {
      await page.getByRole('searchbox').fill(words);
      await page.waitForFunction(
        (expected) => [...document.querySelectorAll('.session')].map((node) => node.getAttribute('data-session')).join() === expected,
        found.join(),
      );
    }
    await page.getByRole('searchbox').fill('');
    await row(1).waitFor();
  });

  it('deletes with undo, and never a pinned one', async () => {
    await press(2, 'Delete');
    await row(2).waitFor({ state: 'detached' });
    await page.getByRole('button', { name: 'Bring back 2' }).click();
    await row(2).waitFor();
    await press(2, 'Pin');
    await row(2).getByRole('button', { name: 'Pinned' }).waitFor();
    expect(await row(2).getByRole('button', { name: 'Delete' }).isDisabled()).toBe(true);
  });

  it("reads a session again by today's definitions, says what is different, and swaps the reading", async () => {
    await press(1, 'Readings');
    await row(1).getByRole('button', { name: "Read again by today's definitions" }).click();
    // The server's vehicle is another one: every channel of the recording is gone by its definitions.
    const job = page.locator('.reread-job');
    await page.waitForSelector('.reread-job[data-state="done"]');
    await job.getByRole('button', { name: 'What is different' }).click();
    await job.getByText('Channels that are gone:').waitFor();
    await row(1).getByRole('button', { name: 'Show this one' }).click();
    await row(1).locator('.readings li:has-text("Reading 2") .pinned').waitFor();
    await row(1).locator('.readings li:has-text("Reading 1")').getByRole('button', { name: 'Show this one' }).click();
    await row(1).locator('.readings li:has-text("Reading 1") .pinned').waitFor();
  });

  it('gives a session as a file, and its report as a page whose policy allows no script', async () => {
    await row(1).getByText('Export', { exact: true }).click();
    const [download] = await Promise.all([page.waitForEvent('download'), row(1).getByText('Samples, CSV').click()]);
    expect(download.suggestedFilename()).toBe('session-1.csv');
    const opened = page.context().waitForEvent('page');
    await row(1).getByRole('link', { name: 'Report' }).click();
    const report = await opened;
    await report.waitForSelector('h1');
    expect(await report.title()).toBe('Session 1, Teal');
    // The style is in force under the policy of the answer.
    expect(
      await report
        .locator('h2')
        .first()
        .evaluate((node) => getComputedStyle(node).borderBottomWidth),
    ).toBe('2px');
    await report.close();
  });

  it('says how much is kept and how much room there is', async () => {
    expect(await page.locator('.keep').textContent()).toMatch(
      /are free on their disk.*The oldest go above 40\.00 GB in all; pinned ones never/,
    );
    expect(complaints).toEqual([]);
  });
});

describe.skipIf('reason' in launched)('a report opened from disk', () => {
  const sheets = [
    ['A4', 186],
    ['Letter', 191.9],
  ] as const;

  it.each(sheets)('fits %s between its margins with sixteen cylinders, and asks nobody for anything', async (format, widthMm) => {
    const folder = mkdtempSync(join(tmpdir(), 'evenburn-print-'));
    const path = join(folder, 'report.html');
    const hostile = '<script>document.title = "run"</script><img src="https://example.invalid/x.png" onerror="document.title = \'run\'">';
    writeFileSync(path, toReportPage(makeReportData({ cylinders: 16, note: hostile, name: hostile }), 0));
    const page = await browser.newPage({ viewport: { width: Math.floor((widthMm / 25.4) * 96), height: 1000 } });
    const requests: string[] = [];
    page.on('request', (request) => requests.push(request.url()));
    await page.goto(pathToFileURL(path).href);
    await page.emulateMedia({ media: 'print' });
    expect(await page.evaluate(() => document.documentElement.scrollWidth <= document.documentElement.clientWidth)).toBe(true);
    expect(await page.title()).toBe('Session 7, Made');
    expect(await page.locator('.note').textContent()).toBe(hostile);
    expect(requests).toEqual([pathToFileURL(path).href]);
    const sheet = await page.pdf({ format });
    expect(sheet.subarray(0, 5).toString()).toBe('%PDF-');
    await page.close();
    rmSync(folder, { recursive: true, force: true });
  });
});
