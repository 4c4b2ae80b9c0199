// The page after the start against a real server at tablet size: timing readings typed and judged, a heat cycle's sheet, every topic, the sheets on paper.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, describe, expect, it } from 'vitest';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { runScenario } from '../doubles/simulated-run.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const titleIds = {
  timing: 'timing-title',
  starts: 'starts-title',
  'warm-up': 'warm-title',
  'heat-cycles': 'cycles-title',
  probes: 'probes-title',
  'leak-down': 'leak-title',
};
const topics = Object.keys(titleIds) as (keyof typeof titleIds)[];
const evening = `scenario: warm
seed: 3
start: cold
engine: { warming: 40 }
stages:
  - { stage: key_on, for: 14 s }
  - { stage: start, for: 5 s }
  - { stage: warm_up, for: 70 s, speed: 2500 rpm }
  - { stage: stop, for: 2 s }
`;

describe.skipIf('reason' in launched)('the page after the start', () => {
  const { browser } = launched as { browser: Browser };
  const data = mkdtempSync(join(tmpdir(), 'evenburn-after-'));
  let serving: Serving;
  let context: BrowserContext;

  beforeAll(async () => {
    const vehicle = await getVehicle('bus-definitions/garganey');
    await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin: 'evening.log', remarks: () => [] }, 0);
    serving = await Serving.start({ data });
  }, 240_000);
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(data, { recursive: true, force: true });
  });
  afterEach(() => context.close());

  async function open(address: string, more: Parameters<Browser['newContext']>[0] = {}): Promise<Page> {
    context = await browser.newContext({ viewport: { width: 1024, height: 768 }, hasTouch: true, reducedMotion: 'reduce', ...more });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('.history-section h2');
    return page;
  }

  async function typeReading(page: Page, speed: string, commanded: string, light: string): Promise<void> {
    await page.fill('label:has-text("Speed, rpm") input', speed);
    await page.fill('label:has-text("Commanded, °") input', commanded);
    await page.fill('label:has-text("By the light, °") input', light);
    const rows = await page.locator('[data-table="timing"] tbody tr').count();
    await page.tap('button:text("Write down")');
    await page.waitForFunction((n) => document.querySelectorAll('[data-table="timing"] tbody tr').length > n, rows, { timeout: 60_000 });
  }

  it('holds load back until timing is read slow and fast and is right; a slip is taken back', async () => {
    const page = await open('history/timing');
    expect(await page.locator('[data-load]').getAttribute('data-load')).toBe('blocked');
    await page.tap('button:text("I read it now")');
    const held = await page.inputValue('label:has-text("Speed, rpm") input');
    expect(Number(held)).toBeGreaterThanOrEqual(0);
    await typeReading(page, '1500', '15', '15');
    expect(await page.locator('[data-load]').getAttribute('data-load')).toBe('blocked');
    // A comma is a point; 6 degrees late at 3500 rpm only.
    await typeReading(page, '3500', '15,0', '9');
    await page.locator('.verdict[data-code="timing-delay"][data-verdict="wrong"]').waitFor({ timeout: 60_000 });
    await page.locator('[data-table="timing"] tr', { hasText: '3500' }).locator('button:text("Was wrong")').tap();
    await page.waitForFunction(() => document.querySelectorAll('[data-table="timing"] tbody tr').length === 1);
    await typeReading(page, '3500', '15', '15.2');
    await page.locator('[data-load="allowed"]').waitFor({ timeout: 60_000 });
    const second = await context.newPage();
    await second.goto(`${serving.url}/#/history/timing`);
    await second.locator('[data-load="allowed"]').waitFor({ timeout: 60_000 });
  }, 240_000);

  it('numbers the heat cycle that came up to temperature, and keeps its sheet', async () => {
    const page = await open('history/heat-cycles');
    const cycle = page.locator('[data-cycle="1"]');
    await cycle.locator('button:text("Write its sheet")').tap();
    await cycle.locator('label:has-text("Re-torqued") input').check();
    await cycle.locator('select').selectOption('milky');
    await cycle.locator('label:has-text("Note") input').fill('head 5 Nm more');
    const { height } = (await cycle.locator('button:text("Keep it")').boundingBox()) ?? { height: 0 };
    expect(height).toBeGreaterThanOrEqual(64);
    await cycle.locator('button:text("Keep it")').tap();
    await cycle.locator('.history-word', { hasText: 'Re-torqued, oil milky' }).waitFor({ timeout: 60_000 });
    expect(await cycle.textContent()).toContain('head 5 Nm more');
    const paper = await (await fetch(`${serving.url}/api/paper/heat-cycles`)).text();
    expect(paper).toContain('[x] re-torqued');
    expect(paper).toContain('head 5 Nm more');
  }, 240_000);

  it('says plainly that fewer than three like starts compare nothing', async () => {
    const page = await open('history/starts');
    expect(await page.locator('.history-word').first().textContent()).toMatch(/3 are needed before a difference means anything/);
  });

  it('says everything in the units of this browser, on the pages of the checks and the harness too', async () => {
    const page = await open('history/timing');
    await page.evaluate(() => {
      localStorage.setItem('evenburn.unit.temperature', 'degF');
      localStorage.setItem('evenburn.unit.pressure', 'psi');
    });
    await page.reload();
    const places = [
      ...topics.map((topic) => `history/${topic}`),
      'checks/probes',
      'checks/injectors',
      'checks/preparation',
      'harness/circuits',
    ];
    for (const address of places) {
      await page.goto(`${serving.url}/#/${address}`);
      await page.locator('main h2').first().waitFor();
      // What stands in code is a line of a file.
      const left = await page.locator('main').evaluate((main) => {
        const copy = main.cloneNode(true) as HTMLElement;
        for (const code of copy.querySelectorAll('code, textarea')) code.remove();
        return /[^.;,]{0,40}(°C|kPa|\bK\b)/.exec(copy.textContent ?? '')?.[0];
      });
      expect([address, left]).toEqual([address, undefined]);
    }
    await page.goto(`${serving.url}/#/history/warm-up`);
    await page.locator('#warm-title').waitFor();
    expect(await page.locator('main').textContent()).toMatch(/Coolant up to 1\d\d °F.+°F\/min/);
    await page.goto(`${serving.url}/#/history/leak-down`);
    await page.getByRole('columnheader', { name: 'From, psi' }).waitFor();
    expect(await page.locator('.history-word').first().textContent()).toMatch(/fell by \d+(\.\d)? psi in/);
  }, 240_000);

  it.each(['dark', 'light'] as const)('has no violation in any topic (%s), and nothing is cut at any size', async (colorScheme) => {
    const page = await open('history/timing', { colorScheme, bypassCSP: true });
    for (const topic of topics) {
      await page.goto(`${serving.url}/#/history/${topic}`);
      await page.waitForSelector(`.history-topics [aria-current]:has-text("${topic === 'warm-up' ? 'Warm-up' : ''}")`);
      // The paper's section is there before the sessions are read.
      await page.waitForSelector(`.history-section #${titleIds[topic]}`);
      expect([topic, await violations(page)]).toEqual([topic, []]);
      for (const [width, height] of [
        [1366, 768],
        [1024, 768],
        [390, 844],
      ] as const) {
        await page.setViewportSize({ width, height });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        expect([topic, width, wide]).toEqual([topic, width, 0]);
        expect([topic, width, await tooSmall(page)]).toEqual([topic, width, []]);
      }
    }
  });

  it.each(['start-card', 'timing', 'heat-cycles', 'checks'])('the %s prints on A4 and Letter without being cut', async (name) => {
    context = await browser.newContext({ viewport: { width: 720, height: 1000 } });
    const page = await context.newPage();
    const asked: string[] = [];
    page.on('request', (request) => asked.push(new URL(request.url()).pathname));
    await page.goto(`${serving.url}/api/paper/${name}`);
    await page.emulateMedia({ media: 'print' });
    // A4 and Letter less two margins of 12 mm: 186 and 191.9 mm, at 96 dots an inch.
    for (const width of [703, 725]) {
      await page.setViewportSize({ width, height: 1000 });
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      expect([name, width, wide]).toEqual([name, width, 0]);
    }
    expect(asked.filter((path) => !path.startsWith('/api/paper/') && path !== '/favicon.ico')).toEqual([]);
  });
});
