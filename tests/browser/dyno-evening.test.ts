// A whole dyno evening in a browser: holds and pulls found, the study's trial written down, the same again, back, and the verdict; a pull live.
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { prepareEvening } from './dyno-evening.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

/** A picture of one point, for the sheet of a plug. */
const onePixel = Buffer.from('iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNk+M9QDwADhgGAWjR9awAAAABJRU5ErkJggg==', 'base64');

describe.skipIf('reason' in launched)('a dyno evening', () => {
  const { browser } = launched as { browser: Browser };
  const data = mkdtempSync(join(tmpdir(), 'evenburn-evening-'));
  let serving: Serving;
  let page: Page;

  beforeAll(async () => {
    await prepareEvening(data);
    const live = join(data, 'live.yaml');
    writeFileSync(
      live,
      `scenario: live\nseed: 3\nstart: hot\nrepeat: forever\nstages:\n  - { stage: key_on, for: 1 s }\n  - { stage: start, for: 4 s }\n  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 600 rpm/s }\n  - { stage: cool_down, for: 6 s, speed: 1800 rpm }\n`,
    );
    const args = ['--vehicle', 'bus-definitions/garganey', '--bus', `engine=simulator:${live}`, '--bus', `hull=simulator:${live}`];
    serving = await Serving.start({ data, args });
    const context = await browser.newContext({ bypassCSP: true, viewport: { width: 1024, height: 768 } });
    page = await context.newPage();
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(data, { recursive: true, force: true });
  });

  const open = async (part: string) => {
    await page.goto(`${serving.url}/#/pulls/${part}`);
    await page.reload();
  };

  it('finds three holds and two pulls, and says of each what it did', async () => {
    await open('1');
    await page.waitForSelector('.pull-row');
    const kinds = await page.locator('.pull-row').evaluateAll((rows) => rows.map((row) => (row as HTMLElement).dataset.kind));
    expect(kinds).toEqual(['hold', 'hold', 'hold', 'sweep', 'sweep']);
    await page.click('.pull-row >> nth=4 >> summary:text("What it did")');
    const told = await page.locator('.pull-row').nth(4).locator('.after-pull').textContent();
    expect(told).toMatch(/Spread beside pull 4/);
    expect(told).toMatch(/Fuel asked and given/);
    expect(told).toMatch(/Began at oil \d+/);
  });

  it('draws pulls over engine speed in a quantity of choice', async () => {
    await page.selectOption('.spread-plot select', 'temp 1');
    await page.waitForFunction(() =>
      /^Cylinder 1, indicated/.test(document.querySelector('.spread-plot svg')?.getAttribute('aria-label') ?? ''),
    );
    expect(await page.locator('.spread-plot svg').getAttribute('aria-label')).toMatch(/pull 4 at most [56]\d\d °C at \d+ rpm/);
    expect(await page.locator('.spread-plot polyline').count()).toBe(2);
  });

  it('takes a name for a pull, and keeps it', async () => {
    await page.click('.pull-row >> nth=0 >> summary:text("Name and correct")');
    await page.fill('.pull-row >> nth=0 >> input[name="name"]', 'first of the evening');
    await page.click('.pull-row >> nth=0 >> button:text("Write it down")');
    await page.waitForSelector('.pull-name:text("first of the evening")');
    await page.reload();
    await page.waitForSelector('.pull-name:text("first of the evening")');
    expect(await page.locator('.pull-row').first().getAttribute('data-kind')).toBe('hold');
    expect(await page.locator('.pull-row').first().textContent()).not.toContain('by hand');
  });

  it('studies the first session, proposes a trial and takes down that it was done', async () => {
    await open('study');
    await page.click('.study summary >> nth=0');
    await page.click('.study-sessions li[data-session="1"] input');
    await page.click('button:text("Study them")');
    await page.waitForSelector('.study-found table');
    expect(await page.locator('.study-cylinder').count()).toBe(6);
    expect(await page.locator('.study-cylinder[data-differs]').count()).toBeGreaterThan(0);
    expect(await page.locator('.proposed li').first().textContent()).toMatch(/^Proposed: /);
    expect(await page.locator('.study-found').textContent()).not.toMatch(/[^o][^t] lean (a|the|cylinder)/i);
    expect(await violations(page)).toEqual([]);
    expect(await tooSmall(page)).toEqual([]);
  });

  it('judges the regrouping once it was driven and taken back: the heat went with the group', async () => {
    await page.click('summary:text("Write a trial down by hand")');
    await page.selectOption('.trials select[name="trial"]', 'regroup');
    await page.fill('.trials input[name="change"]', 'plenum plugs: A 1, 3, 5; B 2, 4, 6');
    await page.fill('.trials input[name="since"]', '2');
    await page.click('.trials button:text("It is done")');
    const row = page.locator('.trial-row').first();
    await row.waitFor();
    await page.waitForFunction(() => /3 with it|6 with it/.test(document.querySelector('.trial-row')?.textContent ?? ''));
    const entry = Number((await row.locator('a:text("Card to print")').getAttribute('href'))?.split('/').at(-1));
    const undone = { kind: 'trial-undone', by: 'R', of: entry, since: 3 };
    await page.evaluate(
      (body) => fetch('/api/log-book', { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(body) }),
      undone,
    );
    await page.reload();
    await page.waitForSelector('.trial-row');
    const words = await page.locator('.trial-row').first().textContent();
    // Cylinder 2 went from the hot group to the cold one, 5 the other way; the spread stays, since the groups still differ.
    expect(words).toMatch(/changed cylinders: .*cylinder 2 -\d\d K.*cylinder 5 \+\d\d K/s);
    expect(words).toMatch(/Judged on 6 without .* and 3 with it/);
    expect(await violations(page)).toEqual([]);
  });

  it('says by all three sessions that it is the group', async () => {
    await page.click('.study summary >> nth=0');
    for (const session of [1, 2, 3]) await page.click(`.study-sessions li[data-session="${session}"] input`);
    await page.click('button:text("Study them")');
    await page.waitForSelector('.study-found table');
    await page.click('summary:has-text("Effects with their 90 % interval")');
    expect(await page.locator('.study-found').textContent()).toMatch(/group A of plenum: \+\d\d K \(.*\), effect/);
  });

  it('compares two sets of holds by speed and load, with the order', async () => {
    await open('compare');
    await page.waitForSelector('.compare .sides');
    await page.click('.compare summary >> nth=0');
    for (const session of [1, 2]) {
      const tick = page.locator(`.compare li[data-session="${session}"] input`);
      if (!(await tick.isChecked())) await tick.click();
      await page.waitForSelector(`.side-row select[data-pull="${session}:1"]`);
    }
    for (const number of [1, 2, 3]) {
      await page.selectOption(`select[data-pull="1:${number}"]`, 'before');
      await page.selectOption(`select[data-pull="2:${number}"]`, 'after');
    }
    await page.selectOption('.compare-ask select', 'deviation:5');
    await page.click('.compare button:text("Compare")');
    await page.waitForSelector('.compare-verdict');
    expect(await page.locator('.compare-verdict').getAttribute('data-verdict')).toBe('higher');
    const words = await page.locator('.compare-found').textContent();
    expect(words).toMatch(/Order: A-A-A-B-B-B/);
    expect(words).toMatch(/A-B-A/);
    expect(await page.locator('.compare-found tbody tr').count()).toBe(1);
    // What lies under the header while the page is scrolled is no target that is too small.
    await page.evaluate(() => scrollTo(0, 0));
    expect(await violations(page)).toEqual([]);
  });

  it('keeps a plug’s sheet with its photo, and shows both in the log', async () => {
    await open('log');
    await page.click('summary:text("A spark plug\'s sheet")');
    await page.selectOption('.change-log select[name="cylinder"]', '5');
    await page.fill('.change-log input[name="look"]', 'light grey, clean ring');
    // A photo that is larger than one that is taken is said to be, before it is sent.
    const large = { name: 'plug.png', mimeType: 'image/png', buffer: Buffer.concat([onePixel, Buffer.alloc(8 * 1024 * 1024)]) };
    await page.setInputFiles('.change-log input[name="photo"]', large);
    await page.click('.change-log form:has(input[name="photo"]) button:text("Write it down")');
    await page.waitForSelector('.change-log .problem:has-text("8.4 MB are taken")');
    await page.setInputFiles('.change-log input[name="photo"]', { name: 'plug.png', mimeType: 'image/png', buffer: onePixel });
    await page.click('.change-log form:has(input[name="photo"]) button:text("Write it down")');
    await page.waitForSelector('.log-row[data-kind="plug-sheet"] img');
    await page.waitForFunction(() => document.querySelector<HTMLImageElement>('.plug-photo')?.naturalWidth === 1);
    expect(await violations(page)).toEqual([]);
  });

  it('prints a pull sheet with cylinder and speed, and a card with the plugs', async () => {
    await open('sheet/1');
    await page.waitForSelector('.sheet-pull');
    expect(await page.locator('.sheet-pull').count()).toBe(5);
    await page.emulateMedia({ media: 'print' });
    expect(await page.locator('.paper-tools').isVisible()).toBe(false);
    expect(await page.locator('.header').isVisible()).toBe(false);
    await page.emulateMedia({ media: 'screen' });
  });

  it('shows a live pull and, without a touch, what it did once it is over', async () => {
    await open('now');
    await page.waitForSelector('.live-pull[data-phase="sweep"]', { timeout: 40_000 });
    expect(await page.locator('.pull-cylinder').count()).toBe(6);
    await page.waitForFunction(() => /limit in/.test(document.querySelector('.pull-cylinders')?.textContent ?? ''), undefined, {
      timeout: 15_000,
    });
    await page.waitForSelector('.live-pull[data-phase="none"]');
    await page.waitForSelector('.pull-over .after-table');
    await page.waitForSelector('.pull-ready[data-ready]');
    expect(await violations(page)).toEqual([]);
    expect(await tooSmall(page)).toEqual([]);
  });

  it.each([
    ['a peak of the pull that is over', '.pull-over .after-table [data-figure]'],
    ['a temperature that makes ready', '.pull-ready [data-figure]'],
  ])('tells by keyboard why %s is what it is', async (_, selector) => {
    await page.locator(selector).first().focus();
    await page.keyboard.press('Enter');
    await page.waitForSelector('dialog.why[open] .why-figure .why-worked li');
    await page.keyboard.press('Escape');
    await page.waitForSelector('dialog.why', { state: 'hidden' });
  });

  it('never scrolls sideways, from phone to wall', async () => {
    for (const [width, height] of [
      [390, 844],
      [1366, 768],
    ] as const) {
      await page.setViewportSize({ width, height });
      for (const part of ['1', 'now', 'compare', 'study', 'log', 'sheet/1']) {
        await open(part);
        await page.waitForSelector('.pulls-page > :nth-child(2)');
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        expect([part, width, wide]).toEqual([part, width, 0]);
      }
    }
  });
});
