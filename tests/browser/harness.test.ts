// The Harness page at tablet size against a real server: from an alarm's channel to its pins, along a pin, a reading signed and kept.
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

describe.skipIf('reason' in launched)('the Harness and Checks pages', () => {
  const { browser } = launched as { browser: Browser };
  let serving: Serving;

  beforeAll(async () => {
    serving = await Serving.start();
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
  });

  async function open(address: string): Promise<Page> {
    const page = await browser.newPage({ viewport: { width: 1024, height: 768 } });
    await page.goto(`${serving.url}/#/${address}`);
    await page.waitForSelector('.harness-page h2');
    return page;
  }

  it('lead from an alarm to the pins of the signal that it is made of, and along the pin to the sensor', async () => {
    const page = await open('harness?channel=oil_margin');
    const pin = page.locator('.asked a', { hasText: 'Pressure node, pin 1' });
    await pin.click();
    await page.waitForSelector('.pin-way');
    expect(await page.locator('.pin-way').textContent()).toContain('Oil pressure sensor, pin 2');
    expect(await page.locator('.pin-table tr[data-chosen] th').textContent()).toBe('1');
    await page.close();
  });

  it('draw both halves of the bulkhead, the second one mirrored, with its twelve injector feeds', async () => {
    const page = await open('harness/connector/bulkhead');
    await page.waitForSelector('.face');
    const xs = await page
      .locator('.face')
      .evaluateAll((faces) => faces.map((face) => Number(face.querySelector('a[aria-label="Pin A1"] circle')?.getAttribute('cx'))));
    expect(xs).toHaveLength(2);
    expect(xs[0]).toBeLessThan(xs[1] as number);
    expect(await page.locator('.pin-table tr', { hasText: 'Feed of' }).count()).toBe(12);
    await page.close();
  });

  it('keep a signed reading with its name for the next who looks, and judge an open one wrong', async () => {
    const page = await open('harness/sign-off');
    await page.fill('.sign-by input', 'Ada');
    const row = page.locator('.sign-row[data-run="controller-a.1 to port-injector-1.1"]');
    await row.locator('input').fill('0,3');
    await row.locator('button:text("Sign")').click();
    await page.waitForSelector('.sign-row[data-run="controller-a.1 to port-injector-1.1"][data-signed="yes"]');
    const other = page.locator('.sign-row[data-run="controller-a.2 to port-injector-2.1"]');
    await other.locator('button:text("Open")').click();
    await other.locator('text=open: broken').waitFor();
    await page.close();
    const again = await open('harness/sign-off');
    expect(await again.locator('.sign-row[data-signed="yes"]').count()).toBe(1);
    expect(await again.locator('.sign-row[data-signed="yes"]').textContent()).toMatch(/0\.3 Ω, whole\. Ada/);
    await again.close();
  });

  it.each(['dark', 'light'] as const)('have no violation (%s)', async (colorScheme) => {
    const context = await browser.newContext({
      colorScheme,
      bypassCSP: true,
      viewport: { width: 1024, height: 768 },
      reducedMotion: 'reduce',
    });
    const page = await context.newPage();
    const addresses = [
      'harness/connector/bulkhead/A1',
      'harness/unplug',
      'harness/circuits',
      'harness/sign-off',
      'harness?channel=oil_margin',
    ];
    for (const address of [
      ...addresses,
      'checks',
      'checks/bus',
      'checks/probes',
      'checks/wiggle',
      'checks/unplug',
      'checks/line',
      'checks/preparation',
    ]) {
      await page.goto(`${serving.url}/#/${address}`);
      await page.waitForSelector('main .page :is(h2, button, textarea, .check-card)');
      expect([address, await violations(page)]).toEqual([address, []]);
      expect([address, await tooSmall(page)]).toEqual([address, []]);
    }
    await context.close();
  });

  it('come from a table too: shown before anything is written, and what is there replaced only when somebody says so', async () => {
    const page = await browser.newPage({ viewport: { width: 1024, height: 768 } });
    await page.goto(`${serving.url}/#/harness/import`);
    await page.fill('#table-text', 'From,To,Circuit,AWG,Length\nECU A-12,Bulkhead-A1,inj 1,20,1.6\n');
    await page.waitForSelector('.row-notes[data-kind="conflict"]');
    expect(await page.textContent('.row-notes')).toMatch(/Row 2, column ‘Length’.*has no unit/);
    await page.fill('#table-text', 'From,To,Circuit,AWG,Length\nECU A-12,Bulkhead-A1,inj 1,20,1.6 m\n');
    await page.waitForSelector('.row-notes[data-kind="conflict"]', { state: 'detached' });
    await page.locator('summary', { hasText: '1 wires, 2 connectors, 1 circuits' }).click();
    expect(await page.textContent('.device-text pre')).toContain(
      'from: ecu-a.12, to: bulkhead.A1, circuit: inj-1, gauge: 20, length: 1.6 m',
    );
    const save = page.locator('button', { hasText: 'Save harness.yaml' });
    expect(await save.isDisabled()).toBe(true);
    await page.check('input[type="checkbox"]');
    expect(await save.isEnabled()).toBe(true);
    await page.close();
  });

  it('never scroll sideways, from phone to wall', async () => {
    for (const [width, height] of [
      [390, 844],
      [768, 1024],
      [1024, 768],
      [1920, 1080],
    ] as const) {
      const page = await browser.newPage({ viewport: { width, height } });
      for (const address of [
        'harness',
        'harness/circuits',
        'harness/sign-off',
        'checks',
        'checks/first-start',
        'checks/preparation',
        'checks/wiggle',
        'checks/unplug',
        'checks/line',
        'harness/import',
        'checks/supplies',
      ]) {
        await page.goto(`${serving.url}/#/${address}`);
        await page.waitForSelector('main .page :is(h2, button, textarea, .check-card)');
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        expect([width, address, wide]).toEqual([width, address, 0]);
      }
      await page.close();
    }
  });
});
