// 'Why this number?' by keyboard alone on every page that shows values: down to lit bits, of the instant that the number is of.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { SessionDetail } from '../../server/contract/replay.ts';
import { getVehicle } from '../../server/definitions/load-vehicle.ts';
import { summarize } from '../../server/recording/catalogue.ts';
import { CheckRuns } from '../../server/recording/check-runs.ts';
import { importFrames } from '../../server/recording/import-session.ts';
import { runScenario } from '../doubles/simulated-run.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const evening = `scenario: evening
seed: 5
start: hot
stages:
  - { stage: key_on, for: 2 s }
  - { stage: start, for: 4 s }
  - { stage: hold, for: 8 s, speed: 4000 rpm, load: 60 % }
  - { stage: pull, from: 3000 rpm, to: 6600 rpm, rate: 400 rpm/s }
  - { stage: cool_down, for: 6 s, speed: 1800 rpm }
`;

describe.skipIf('reason' in launched)('why a number is what it is', () => {
  const { browser } = launched as { browser: Browser };
  const data = mkdtempSync(join(tmpdir(), 'evenburn-why-'));
  let serving: Serving;
  let startUs = 0;

  beforeAll(async () => {
    const vehicle = await getVehicle('bus-definitions/garganey');
    for (const origin of ['evening.log', 'again.log'])
      await importFrames(data, vehicle, { frames: [runScenario(evening, vehicle).batch], origin, remarks: () => [] }, 0);
    await new CheckRuns(data).add({
      check: 'first-start',
      startedWallMs: summarize(data, 1).view.startedWallMs + 2000,
      seconds: 10,
      vehicle: vehicle.name,
      definitionHash: vehicle.hash,
      session: 1,
      unseenFrames: 0,
      title: 'First start',
      by: 'R',
      skipped: 0,
      procedure: null,
      steps: {},
      result: {
        check: 'first-start',
        frames: 1,
        seconds: 10,
        verdicts: [{ code: 'oil-pressure', ok: true, channel: 'oil_pressure', measured: 250, limit: 70, at: 5, say: 'oil pressure came' }],
      },
    });
    serving = await Serving.start({ data });
    startUs = ((await (await fetch(`${serving.url}/api/sessions/1`)).json()) as SessionDetail).fromUs;
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(data, { recursive: true, force: true });
  });

  async function open(address: string): Promise<Page> {
    const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, bypassCSP: true, reducedMotion: 'reduce' });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('.state[data-state="live"]');
    return page;
  }

  /** Asks by keyboard, and gives the panel with its lit bits; the number in its first line. */
  async function ask(page: Page, value: Locator): Promise<{ panel: Locator; number: number }> {
    await value.focus();
    await page.keyboard.press('Enter');
    const panel = page.locator('dialog.why[open]');
    await panel.locator('.bit[data-lit]').first().waitFor();
    const said = (await panel.locator('.why-number').first().textContent()) ?? '';
    return { panel, number: Number(/[−\d.]+/.exec(said)?.[0].replace('−', '-')) };
  }

  it('is told of a live value, with worked numbers of at most 12 digits', async () => {
    const page = await open('live');
    await page.waitForSelector('.live .reading[data-channel="exhaust_temp_1"][data-quality="ok"]');
    const { panel } = await ask(page, page.locator('.live .reading[data-channel="exhaust_spread"]').first());
    const worked = await panel.locator('.why-arithmetic').allTextContents();
    expect(worked.length).toBeGreaterThan(0);
    for (const text of worked)
      for (const [digits] of text.matchAll(/[\d.]+/g)) expect(digits.replace(/^0*\.?0*|\./g, '').length).toBeLessThanOrEqual(12);
    await page.context().close();
  });

  it('is told of a signal on All frames', async () => {
    const page = await open('frames');
    await page.locator('.frame-row[data-defined="true"] .frame-line').first().press('Enter');
    const { panel } = await ask(page, page.locator('.frame-signals .reading').first());
    expect(await panel.locator('.why-facts').first().textContent()).toContain('Defined in');
    await page.context().close();
  });

  it('is told in a replay, as of its position', async () => {
    const atUs = startUs + 9_000_000;
    const page = await open(`sessions/1?at=${atUs}`);
    await page.waitForSelector('.replay .reading[data-channel="exhaust_temp_1"][data-quality="ok"]');
    const { panel } = await ask(page, page.locator('.replay .reading[data-channel="exhaust_temp_1"]').first());
    expect(await panel.textContent()).toContain(`(${(atUs / 1e6).toFixed(2)} s of the session)`);
    await page.context().close();
  });

  it('is told of what a cursor on a plot measures, as of the cursor', async () => {
    const page = await open('plots?traces=1:exhaust_temp_1');
    const canvas = page.locator('.still-plot canvas');
    await canvas.focus();
    await page.keyboard.press('Enter');
    const value = page.locator('.measures .why-at').first();
    await value.waitFor();
    const measured = Number((await value.textContent())?.replace('−', '-'));
    const { number } = await ask(page, value);
    // The plot's bin holds the sample of the cursor: neighbours differ by a few kelvin at most.
    expect(Math.abs(number - measured)).toBeLessThan(10);
    expect(await violations(page)).toEqual([]);
    await page.keyboard.press('Escape');
    expect(await tooSmall(page)).toEqual([]);
    await page.context().close();
  });

  it('is told of the mean of a stretch on a plot: how many samples, what was left out, and the ends of its range', async () => {
    const page = await open('plots?traces=1:exhaust_temp_1');
    const mean = page.locator('.measures .why-at[data-figure^="samples/1/exhaust_temp_1/"]').first();
    await mean.waitFor();
    const shown = Number((await mean.textContent())?.replace('−', '-'));
    const titles = await followDown(page, mean);
    expect(titles).toEqual(['Mean of exhaust_temp_1', 'exhaust_temp_1']);
    await page.locator('dialog.why button:text("Back")').press('Enter');
    const worked = page.locator('dialog.why .why-arithmetic', { hasText: 'mean of' }).first();
    await worked.waitFor();
    const said = /mean of (\d+) samples of [−\d.]+ to [−\d.]+ degC: ([−\d.]+) degC/.exec((await worked.textContent()) ?? '');
    expect(Number(said?.[1])).toBeGreaterThan(100);
    expect(Math.abs(Number(said?.[2]) - shown)).toBeLessThanOrEqual(0.06);
    await page.context().close();
  });

  it.each([
    ['time', ''],
    ['engine speed', '&axis=speed'],
  ])('is told of the difference between two cursors over %s, the same as is shown', async (_, axis) => {
    const page = await open(`plots?traces=1:exhaust_temp_1${axis}`);
    const canvas = page.locator('.still-plot canvas');
    await page.waitForFunction(() => (document.querySelector('.measures tbody td:nth-of-type(6)')?.textContent ?? '–') !== '–');
    // Over engine speed both lie in the pull, where there are samples.
    await canvas.click({ position: { x: 850, y: 80 } });
    await canvas.click({ position: { x: 1100, y: 80 } });
    const between = page.locator('.measures td:nth-of-type(3) .why-at[data-figure^="between/1/exhaust_temp_1/"]');
    await between.waitFor();
    const told = async () => {
      const of = (await between.getAttribute('data-figure')) ?? '';
      const view = await (await fetch(`${serving.url}/api/figures?of=${encodeURIComponent(of)}`)).json();
      return view.value - Number((await between.textContent())?.replace('−', '-'));
    };
    await expect.poll(async () => Math.abs(await told()), { timeout: 30_000 }).toBeLessThanOrEqual(0.06);
    await between.focus();
    await page.keyboard.press('Enter');
    await page.waitForSelector('dialog.why[open] .why-worked li');
    await page.context().close();
  });

  /** Chooses a session of a list that may be folded. */
  async function tick(page: Page, session: number): Promise<void> {
    const box = page.locator(`.study-sessions li[data-session="${session}"] input`);
    await box.waitFor({ state: 'attached' });
    await box.evaluate((input: HTMLInputElement) => input.click());
    await page.waitForFunction(
      (chosen) => document.querySelector<HTMLInputElement>(`.study-sessions li[data-session="${chosen}"] input`)?.checked,
      session,
    );
  }

  /** By keyboard from a figure to the figures and channels behind it, the first of each, until bits are lit. */
  async function followDown(page: Page, figure: Locator): Promise<string[]> {
    await figure.focus();
    await page.keyboard.press('Enter');
    const panel = page.locator('dialog.why[open]');
    const titles: string[] = [];
    for (;;) {
      const below = panel.locator('.why-behind button').first();
      const bits = panel.locator('.bit[data-lit]').first();
      await below.or(bits).first().waitFor();
      titles.push((await panel.locator('#why-title').textContent()) ?? '');
      if (await bits.isVisible()) return titles;
      expect(await panel.locator('.why-figure').textContent()).toContain('Source');
      await below.focus();
      await page.keyboard.press('Enter');
      await page.waitForFunction((before) => document.querySelector('#why-title')?.textContent !== before, titles.at(-1));
    }
  }

  it("is told of a pull's peak, and leads to the chain as of the peak", async () => {
    const page = await open('pulls/1');
    const value = page.locator('.peak-table .why-at').first();
    await value.waitFor();
    const peak = Number(/\d+/.exec((await value.textContent()) ?? '')?.[0]);
    expect(await followDown(page, value)).toEqual(['Peak of cylinder 1', 'exhaust_temp_1']);
    const said = (await page.locator('dialog.why .why-number').first().textContent()) ?? '';
    expect(Math.abs(Number(/[\d.]+/.exec(said)?.[0]) - peak)).toBeLessThanOrEqual(0.5);
    await page.locator('dialog.why button:text("Back")').press('Enter');
    await page.locator('dialog.why .why-figure').waitFor();
    expect(await violations(page)).toEqual([]);
    await page.keyboard.press('Escape');
    expect(await tooSmall(page)).toEqual([]);
    await page.context().close();
  });

  it('is told of spread by engine speed: the rule with its numbers, its stretch, and down to lit bits', async () => {
    const page = await open('pulls/1');
    // The sweep behind the hold.
    const bands = page.locator('.bands').nth(1);
    await bands.locator('summary').press('Enter');
    const row = bands.locator('tbody tr').nth(3);
    const numbers = (await row.locator('.why-at').allTextContents()).map((text) => Number(text.replace('−', '-')));
    const spread = row.locator('.why-at').nth(numbers.length - 2);
    const temps = numbers.slice(0, -2);
    // The page shows whole degrees.
    expect(Math.abs(Math.max(...temps) - Math.min(...temps) - (numbers.at(-2) as number))).toBeLessThanOrEqual(1);
    const titles = await followDown(page, spread);
    expect(titles.map((title) => title.replace(/\d{4} rpm/, 'RPM'))).toEqual([
      'Spread at RPM',
      'Temperature of cylinder 1 at RPM',
      'exhaust_temp_1',
    ]);
    await page.context().close();
  });

  it('is told of the differences of Compare and of the figures of a study', async () => {
    const page = await open('pulls/compare');
    for (const session of [1, 2]) await tick(page, session);
    await page.locator('select[data-pull="1:1"]').selectOption('before');
    await page.locator('select[data-pull="2:1"]').selectOption('after');
    await page.locator('.compare-ask .button').press('Enter');
    const difference = page.locator('.compare-verdict .why-at');
    await difference.waitFor();
    const titles = await followDown(page, difference);
    expect([titles[0], titles.at(-1)]).toEqual(['Spread, B less A', 'exhaust_temp_1']);
    await page.goto(`${serving.url}/#/pulls/study`);
    await tick(page, 1);
    await page.locator('button:text("Study them")').press('Enter');
    const cylinder = page.locator('.study-cylinder b .why-at').nth(1);
    await cylinder.waitFor();
    expect((await followDown(page, cylinder)).map((title) => title.replace(/ in the hold.*/, ''))).toEqual([
      'Cylinder 2 from the others',
      'Cylinder 2',
      'exhaust_temp_2',
    ]);
    await page.keyboard.press('Escape');
    // When its group injects stands beside it, and is worked out there: nothing measured lies behind it.
    await page.locator('.study-cylinder .small .why-at').nth(1).press('Enter');
    await page.locator('#why-title:text("into cylinder 2")').waitFor();
    expect(await page.locator('dialog.why .why-worked').textContent()).toContain('firing order');
    await page.context().close();
  });

  it('is told of what a kept check measured, as of then', async () => {
    const page = await open('checks/run/1');
    const measured = page.locator('.verdict .why-at').first();
    await measured.waitFor();
    const titles = await followDown(page, measured);
    expect(titles).toEqual(['oil_pressure in run 1 of the first-start check, rule oil-pressure', 'oil_pressure']);
    await page.context().close();
  });
});
