// The first run: an empty folder, a bus that nobody has described, and at the end a saved vehicle whose first channel is live.
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { afterAll, describe, expect, it } from 'vitest';
import type { WhyView } from '../../server/contract/why.ts';
import { loadVehicle } from '../../server/definitions/load-vehicle.ts';
import { untilSeen } from '../waiting.ts';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { writeScriptedBus } from './scripted-bus-file.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

describe.skipIf('reason' in launched)('a first run', () => {
  const { browser } = launched as { browser: Browser };
  const scrap: string[] = [];
  const makeFolder = (name: string) => {
    const folder = mkdtempSync(join(tmpdir(), `evenburn-${name}-`));
    scrap.push(folder);
    return folder;
  };
  afterAll(async () => {
    await browser.close();
    for (const folder of scrap) rmSync(folder, { recursive: true, force: true });
  });

  it('goes from an empty folder to a live channel and a vehicle folder that loads without a fault', async () => {
    const folder = makeFolder('first-run');
    const { file, vehicle: recorded } = writeScriptedBus(120);
    scrap.push(recorded);
    const serving = await Serving.start({ args: ['--vehicle', folder, '--bus', `bench=file:${file}`] });
    const page = await browser.newPage({ viewport: { width: 1024, height: 768 }, hasTouch: true });
    await page.goto(`${serving.url}/`);
    await page.waitForSelector('a:text("What is on your bus?")');
    await page.tap('a:text("What is on your bus?")');
    await page.waitForSelector('.seen-ids li:has-text("0x310"):has-text("every 20 ms")');
    await page.check('.seen-ids li:has-text("0x310") input');
    await page.fill('.make-device input', 'bench-box');
    await page.tap('button:text-is("Make the device")');
    await page.fill('.add-channel input[placeholder="oil_pressure"]', 'exhaust_temp_1');
    await page.selectOption('.add-channel label:has-text("First is") select', 'big');
    await page.fill('.add-channel label:has-text("Factor") input', '0.1');
    await page.fill('.add-channel label:has-text("Offset") input', '-50');
    await page.selectOption('.add-channel label:has-text("Unit") select', 'degC');
    // The file's first probe moves between 500 and 700 °C.
    const preview = Number((await page.locator('.preview b').textContent())?.replace('−', '-'));
    expect(preview).toBeGreaterThanOrEqual(500);
    expect(preview).toBeLessThanOrEqual(700);
    await page.tap('button:text-is("Add channel")');
    await page.fill('.vehicle-name input', 'Teal');
    await page.keyboard.press('Tab');
    await page.waitForSelector('.diff-lines li:has-text("Teal")');
    expect(readdirSync(folder)).toEqual([]);
    await page.tap('.diff-view button:text-is("Save")');
    await page.waitForSelector('.saved-channels .reading[data-quality="ok"]');
    // Who works by keyboard goes on at what was saved.
    expect(await page.evaluate(() => document.activeElement?.closest('.saved-channels') !== null)).toBe(true);
    await page.waitForSelector('.header .vehicle:text-is("Teal")');
    expect(readFileSync(join(folder, 'devices/bench-box.yaml'), 'utf8')).toBe(
      [
        'device: bench-box',
        'frames:',
        '  - name: frame_310',
        '    id: 0x310',
        '    length: 8',
        '    period: 20 ms',
        '    signals:',
        '      - { name: exhaust_temp_1, bytes: 0..1, byte_order: big, factor: 0.1, offset: -50, unit: degC }',
        '',
      ].join('\n'),
    );
    const { vehicle, problems } = await loadVehicle(folder);
    expect([vehicle?.name, vehicle?.buses[0]?.name, problems]).toEqual(['Teal', 'bench', []]);
    await page.tap('a:text("To the Live page")');
    await page.waitForSelector('.plot:has-text("exhaust temp 1") canvas');
    await page.close();
    await serving.stop();
  });

  it('begins from the demo: a folder of its own, and the server is back at the same address', async () => {
    const data = makeFolder('data');
    const serving = await Serving.start({ data });
    const page = await browser.newPage({ bypassCSP: true, viewport: { width: 1366, height: 768 } });
    await page.goto(`${serving.url}/#/begin`);
    const asked = async () => (await (await fetch(`${serving.url}/api/why/engine_running`)).json()) as WhyView;
    await untilSeen(asked, ({ nodes }) => nodes[0]?.value === 1);
    await page.fill('.own-folder input', 'teal');
    await page.click('button:text-is("Begin my own vehicle")');
    await page.waitForSelector('.start-again:has-text("the engine runs")');
    expect(await violations(page)).toEqual([]);
    await page.click('.start-again button:text-is("Let it go on")');
    await page.waitForSelector('.start-again', { state: 'detached' });
    expect(existsSync(join(data, 'vehicles'))).toBe(false);
    await page.click('button:text-is("Begin my own vehicle")');
    await page.click('.start-again button:text-is("Start again all the same")');
    await page.waitForSelector(`.folder:has-text("${join(data, 'vehicles', 'teal')}")`);
    await page.waitForSelector('.header .vehicle:text-is("New vehicle")');
    await page.waitForSelector('text=/no CAN interface|What to listen to/');
    expect(readdirSync(join(data, 'vehicles', 'teal'))).toEqual([]);
    await page.close();
    await serving.stop();
  });

  it.each([
    [1366, 768],
    [390, 844],
  ])('has no violation, nothing cut and no small target at %i × %i', async (width, height) => {
    const folder = makeFolder('first-run');
    const { file, vehicle: recorded } = writeScriptedBus(120);
    scrap.push(recorded);
    const serving = await Serving.start({ args: ['--vehicle', folder, '--bus', `bench=file:${file}`] });
    const context = await browser.newContext({ bypassCSP: true, viewport: { width, height }, reducedMotion: 'reduce' });
    const page = await context.newPage();
    await page.goto(`${serving.url}/#/begin`);
    await page.check('.seen-ids li:has-text("0x310") input');
    await page.fill('.make-device input', 'bench-box');
    await page.click('button:text-is("Make the device")');
    await page.waitForSelector('.add-channel');
    await page.waitForSelector('.diff-view');
    expect(await violations(page)).toEqual([]);
    expect(await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth)).toBe(0);
    expect(await tooSmall(page)).toEqual([]);
    await context.close();
    await serving.stop();
  });
});
