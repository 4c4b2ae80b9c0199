// Checks led step by step on the page at tablet size: key-on, probes over a kill of the server, injectors, preparation and first start.
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeEach, describe, expect, it } from 'vitest';
import { violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { freePort, Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const tablet = { width: 1024, height: 768 };
const scenarios = {
  rest: ['stage: key_on, for: 600 s, pump: false'],
  warm: ['stage: key_on, for: 12 s, pump: false', 'stage: warm_probe, cylinder: 2, for: 14 s', 'stage: stop, for: 600 s'],
  crank: ['stage: key_on, for: 8 s', 'stage: oil_crank, for: 8 s', 'stage: stop, for: 600 s'],
};

describe.skipIf('reason' in launched)('a check led step by step', () => {
  const { browser } = launched as { browser: Browser };
  let folder: string;
  let serving: Serving | undefined;
  let page: Page;

  beforeEach(async () => {
    folder = mkdtempSync(join(tmpdir(), 'evenburn-led-'));
    cpSync('bus-definitions/garganey', join(folder, 'garganey'), { recursive: true });
    for (const [name, stages] of Object.entries(scenarios)) {
      const faults = name === 'warm' ? 'faults:\n  - { fault: swapped_probes, cylinders: [2, 5] }\n' : '';
      const text = `scenario: ${name}\nseed: 5\nstart: cold\nstages:\n${stages.map((stage) => `  - { ${stage} }\n`).join('')}${faults}`;
      writeFileSync(join(folder, 'garganey', 'scenarios', `${name}.yaml`), text);
    }
    const context = await browser.newContext({ viewport: tablet, hasTouch: true, bypassCSP: true });
    page = await context.newPage();
  });
  afterEach(async () => {
    await page.context().close();
    await serving?.stop();
    rmSync(folder, { recursive: true, force: true });
  });
  afterAll(() => browser.close());

  const vehicleText = () => readFileSync(join(folder, 'garganey', 'vehicle.yaml'), 'utf8');

  async function serve(scenario: keyof typeof scenarios, port = 0): Promise<void> {
    const played = `simulator:${join(folder, 'garganey', 'scenarios', `${scenario}.yaml`)}`;
    const buses = ['--bus', `engine=${played}`, '--bus', `hull=${played}`];
    serving = await Serving.start({ args: ['--vehicle', join(folder, 'garganey'), ...buses], data: join(folder, 'data'), port });
  }

  async function beginCheck(name: string): Promise<void> {
    await page.goto(`${serving?.url}/#/checks/${name}`);
    await page.fill('label:has-text("Who writes") input', 'Ida');
    await page.tap('button:text("Begin")');
    await page.waitForSelector('.step[data-step]');
  }

  const inStep = (name: string) => page.waitForSelector(`.step[data-step="${name}"]`);
  const goTo = async (name: string) => {
    await page.tap(`.step-rows [data-step="${name}"] button`);
    await inStep(name);
  };
  async function skip(reason: string): Promise<void> {
    await page.tap('button:text("Skip this step")');
    await page.fill('.skip-form input', reason);
    await page.tap('button:text("Skip it")');
  }

  it('key-on: zeros are read with the pump disabled; a skipped step stands in the report with its reason', async () => {
    await serve('rest');
    await beginCheck('key-on');
    await inStep('pump-off');
    await page.tap('.step button:text("Done")');
    await inStep('zeros');
    await page.waitForSelector('.step-wait:text("Long enough")');
    await page.waitForSelector('.step [data-code="zero-offset"]');
    await page.tap('.step button:text("Next step")');
    await inStep('probes');
    await skip('the engine is warm');
    await inStep('throttle');
    await goTo('pump-on');
    await skip('no fuel yet');
    await inStep('prime');
    await page.tap('button:text("Finish and keep")');
    await page.waitForSelector('h1:has-text("run 1")');
    const text = (await page.textContent('.checks-page')) ?? '';
    expect(text).toContain('by Ida');
    expect(text).toContain('skipped: the engine is warm, Ida');
    expect(await page.locator('.verdict[data-verdict="wrong"]').count()).toBe(0);
    expect(text).toMatch(/the prime of port \(enabling the pump was skipped\)/);
  }, 240_000);

  it('probes: what rose before the server was killed still counts after it, and one press writes the found map', async () => {
    await serve('warm', await freePort());
    await beginCheck('probes');
    await goTo('probe-2');
    const swapped = page.locator('.step [data-code="probe-swapped"][data-verdict="wrong"]');
    await swapped.waitFor({ timeout: 60_000 });
    expect(await swapped.textContent()).toContain('exhaust_temp_5, which the file gives to cylinder 5');
    await page.tap('.step button:text("Next step")');
    await inStep('probe-3');
    const { port } = serving as Serving;
    // A kill may lose the last 250 ms of frames: more than these must have come since.
    const judged = async () => ((await (await fetch(`${serving?.url}/api/checks/running`)).json()) as { seconds: number }).seconds;
    const start = await judged();
    await expect.poll(judged).toBeGreaterThan(start + 0.5);
    await serving?.stop('SIGKILL');
    await serve('rest', port);
    const second = await page.context().newPage();
    await second.goto(`${serving?.url}/#/checks/probes`);
    for (const seen of [page, second]) {
      await seen.waitForSelector('.step[data-step="probe-3"]');
      await seen.waitForSelector('.run-line:has-text("started anew")');
      await seen.waitForSelector('[data-step="probe-2"][data-state="done"]');
      await seen.waitForSelector('.verdict[data-code="probe-swapped"][data-verdict="wrong"]');
    }
    await second.close();
    await page.tap('button:text("Finish and keep")');
    await page.waitForSelector('.correction table');
    const before = vehicleText();
    await page.tap('button:text("Write it to vehicle.yaml")');
    await page.waitForSelector('.correction[data-written="true"]');
    const after = vehicleText();
    expect(after).toContain('2: { channel: exhaust_temp_5, lag: 0.7..1.1 s, place: port, probe: T-02 }');
    expect(after).toContain('5: { channel: exhaust_temp_2, lag: 0.7..1.1 s, place: port, probe: T-05 }');
    expect(after).toContain('# T-06 broke on the bench');
    expect(after.length).toBe(before.length);
  }, 240_000);

  it('injectors: waits for the bled rail, takes what clicks by taps for gloves, and proves or corrects the plan', async () => {
    await serve('rest');
    await beginCheck('injectors');
    await inStep('pump-off');
    await page.tap('.step button:text("Done")');
    // The rail reads zero: the page goes on by itself.
    await inStep('port-1');
    await goTo('plenum-A');
    for (const cylinder of [1, 2, 6]) await page.tap(`.choice [aria-label="Cylinder ${cylinder}"]`);
    const { height } = (await page.locator('.choice button').first().boundingBox()) ?? { height: 0 };
    expect(height).toBeGreaterThanOrEqual(48);
    expect(await violations(page)).toEqual([]);
    await page.tap('button:text("Clicked: 1, 2, 6")');
    await inStep('plenum-B');
    for (const cylinder of [3, 4, 5]) await page.tap(`.choice [aria-label="Cylinder ${cylinder}"]`);
    await page.tap('button:text("Clicked: 3, 4, 5")');
    await page.waitForSelector('[data-step="plenum-B"][data-state="done"]');
    await page.tap('button:text("Finish and keep")');
    await page.tap('button:text("Write it to vehicle.yaml")');
    await page.waitForSelector('.correction[data-written="true"]');
    expect(vehicleText()).toContain('as-built: { A: [1, 2, 6], B: [3, 4, 5] }');
    expect(await violations(page)).toEqual([]);
  }, 240_000);

  it('first start: oil pressure first, then every blocking item closed or waived, then armed', async () => {
    await serve('crank');
    await beginCheck('first-start');
    await inStep('oil-before-fire');
    expect(await page.locator('.step button:text("Done"), .step button:text("Next step")').count()).toBe(0);
    await page.waitForSelector('.bouts[data-turning="true"]');
    await inStep('arm');
    await page.waitForSelector('[data-step="oil-before-fire"][data-state="done"]');
    await page.tap('button:text("Arm: ready to fire")');
    await page.waitForSelector('.problem:has-text("Engine oil")');
    await page.goto(`${serving?.url}/#/checks/preparation`);
    await page.fill('form input[placeholder]', 'Return line waits for a fitting');
    await page.tap('button:text("Note it")');
    await page.waitForSelector('[data-item^="noted-"][data-state="open"]');
    const open = page.locator('[aria-label="Open"] .item-row');
    while ((await open.count()) > 0) {
      const row = open.first();
      const item = await row.getAttribute('data-item');
      const done = row.locator('button:text-is("Done")');
      if ((await done.count()) > 0) await done.tap();
      else {
        await row.locator('button:text-is("Waive")').tap();
        await row.locator('input').fill('first evening');
        await row.locator('button:text("Waive it")').tap();
      }
      await page.waitForSelector(`[data-item="${item}"]:not([data-state="open"])`);
    }
    await page.waitForSelector('.run-word[data-blocking="0"]');
    await page.goto(`${serving?.url}/#/checks/first-start`);
    await page.tap('button:text("Arm: ready to fire")');
    await inStep('start');
  }, 240_000);
});
