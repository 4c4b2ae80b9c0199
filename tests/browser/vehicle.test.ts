// The vehicle's files on the page: changed by form and by text, compared and saved, and never over what another hand saved meanwhile.
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import { tooSmall, violations } from './axe.ts';
import { launchChromium } from './chromium.ts';
import { Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const definitions = fileURLToPath(new URL('../../bus-definitions/', import.meta.url));
const vehicleFile = 'garganey/vehicle.yaml';
const boxFile = 'garganey/devices/thermocouple-box.yaml';

describe.skipIf('reason' in launched)('the vehicle page', () => {
  const { browser } = launched as { browser: Browser };
  let folder: string;
  let serving: Serving;
  let page: Page;
  const original = (path: string) => readFileSync(join(definitions, path), 'utf8');
  const onDisk = (path: string) => readFileSync(join(folder, path), 'utf8');

  beforeAll(async () => {
    folder = mkdtempSync(join(tmpdir(), 'evenburn-vehicle-page-'));
    cpSync(definitions, folder, { recursive: true });
    const buses = ['--bus', 'engine=simulator', '--bus', 'hull=simulator'];
    serving = await Serving.start({ args: ['--vehicle', join(folder, 'garganey'), ...buses] });
  });
  beforeEach(async () => {
    page = await browser.newPage({ viewport: { width: 1366, height: 768 }, reducedMotion: 'reduce' });
    await page.goto(`${serving.url}/#/vehicle`);
    await page.waitForSelector('.file-form .file-field');
  });
  afterEach(async () => {
    await page.close({ runBeforeUnload: false });
    for (const path of [vehicleFile, boxFile]) writeFileSync(join(folder, path), original(path));
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
    rmSync(folder, { recursive: true, force: true });
  });

  it('changes one value by the form, shows the change before saving, moves nothing else, and the server takes it up', async () => {
    await page.fill('#field-vehicle', 'Garganey II');
    await page.keyboard.press('Tab');
    await page.click('button:text("Compare and save 1 file")');
    expect(await page.locator('.diff-lines li[data-kind="gone"] code').allTextContents()).toEqual(['vehicle: Garganey']);
    expect(await page.locator('.diff-lines li[data-kind="new"] code').allTextContents()).toEqual(['vehicle: Garganey II']);
    expect(onDisk(vehicleFile)).toBe(original(vehicleFile));
    await page.click('.diff-view button:text-is("Save")');
    await page.waitForSelector('.header .vehicle:text-is("Garganey II")');
    expect(onDisk(vehicleFile)).toBe(original(vehicleFile).replace('vehicle: Garganey\n', 'vehicle: Garganey II\n'));
  });

  it('adds a signal to a device, says what is wrong with it at its place, and undoes step by step', async () => {
    await page.click('.file-list button:has-text("thermocouple-box")');
    await page.waitForSelector('#field-device');
    await page.click('.part summary:has-text("exhaust_1_to_4")');
    await page.click('.part-name:text-is("signals")');
    await page.click('button:text-is("Add to signals")');
    await page.waitForSelector('.field-problems, .part-problems');
    expect(await page.locator('.draft-problems li').first().textContent()).toMatch(/devices\/thermocouple-box\.yaml:\d+:\d+/);
    expect(await page.locator('.carets').first().textContent()).toContain('^');
    await page.waitForSelector('.line-numbers li[data-severity="error"]');
    await page.click('button:text-is("Undo")');
    await page.waitForSelector('text=No error and no warning.');
    expect(await page.inputValue('.text-editor textarea')).toBe(original(boxFile));
    await page.click('button:text-is("Redo")');
    await page.waitForSelector('.draft-problems li');
    expect(onDisk(boxFile)).toBe(original(boxFile));
  });

  it('renames a bus by keyboard, says what still names it by the old name, and undoes it as one step', async () => {
    await page.click('.part:has(> summary .part-name:text-is("buses")) .part-name:text-is("engine")');
    await page.getByRole('button', { name: 'Rename engine', exact: true }).focus();
    await page.keyboard.press('Enter');
    const field = page.getByLabel('New name of engine');
    await field.waitFor();
    await field.fill('hull');
    await page.waitForSelector('.rename:has-text("There is one of this name already.")');
    await field.fill('powertrain');
    await page.keyboard.press('Enter');
    await page.waitForSelector('.rename-note');
    expect(await page.locator('.rename-note li').allTextContents()).toEqual([
      expect.stringMatching(/^vehicle\.yaml:\d+: no bus 'engine'$/),
    ]);
    await page.waitForFunction(() => document.activeElement?.textContent?.startsWith('Rename powertrain'));
    await page.waitForSelector('.error-count:text-is("1 error")');
    const text = await page.inputValue('.text-editor textarea');
    const line = original(vehicleFile)
      .split('\n')
      .find((one) => one.trimStart().startsWith('engine: { bit_rate')) as string;
    expect(text).toBe(original(vehicleFile).replace(line, line.replace('engine:', 'powertrain:')));
    await page.click('button:text("Compare and save 1 file")');
    expect(await page.locator('.diff-lines li[data-kind="gone"] code').allTextContents()).toEqual([line]);
    await page.click('button:text-is("Back")');
    await page.click('button:text-is("Undo")');
    await page.waitForSelector('button:text-is("No changes")');
    expect(await page.inputValue('.text-editor textarea')).toBe(original(vehicleFile));
  }, 30_000);

  it('keeps the name on Escape, and gives the focus back to its button', async () => {
    await page.click('.part:has(> summary .part-name:text-is("buses")) .part-name:text-is("engine")');
    await page.getByRole('button', { name: 'Rename engine', exact: true }).click();
    await page.getByLabel('New name of engine').fill('other');
    await page.keyboard.press('Escape');
    await page.waitForFunction(() => document.activeElement?.textContent?.startsWith('Rename engine'));
    expect(await page.inputValue('.text-editor textarea')).toBe(original(vehicleFile));
  }, 30_000);

  it('takes typed text, and saves a vehicle with errors only when told to', async () => {
    const area = page.locator('.text-editor textarea');
    await area.fill((await area.inputValue()).replace('fuel: methanol', 'fule: methanol'));
    await page.waitForSelector('.draft-problems li:has-text("fule")');
    expect(await page.locator('.draft-problems li').first().textContent()).toContain("'fuel'");
    await page.click('.problem-place');
    // The selection follows the click in an effect, after the page was drawn.
    await page.waitForFunction(() => {
      const { value, selectionStart, selectionEnd } = document.querySelector('.text-editor textarea') as HTMLTextAreaElement;
      return value.slice(selectionStart, selectionEnd) === 'fule';
    });
    expect(await page.locator('.text-scroll').evaluate((found) => found.scrollLeft)).toBe(0);
    await page.click('button:text("Compare and save 1 file")');
    const save = page.locator('.diff-view button:text-is("Save")');
    expect(await save.isDisabled()).toBe(true);
    await page.check('.despite input');
    await save.click();
    await page.waitForSelector('.problems-bar:has-text("last good set stays in force")');
    expect(onDisk(vehicleFile)).toContain('fule: methanol');
  });

  it('notices a file that another hand saved, never writes over it, and lets the person choose', async () => {
    await page.fill('#field-vehicle', 'Mine');
    await page.keyboard.press('Tab');
    await page.waitForSelector('button:text("Compare and save 1 file")');
    const theirs = original(vehicleFile).replace('fuel: methanol', 'fuel: E85');
    writeFileSync(join(folder, vehicleFile), theirs);
    await page.click('button:text("Compare and save 1 file")');
    await page.click('.diff-view button:text-is("Save")');
    await page.waitForSelector('.changed-on-disk:has-text("vehicle.yaml")');
    expect(onDisk(vehicleFile)).toBe(theirs);
    await page.click('button:text("Keep my files")');
    await page.waitForSelector('.diff-lines li[data-kind="gone"]:has-text("E85")');
    await page.waitForSelector('.diff-lines li[data-kind="new"]:has-text("methanol")');
    await page.click('button:text-is("Back")');
    await page.reload();
    await page.waitForSelector('.file-form .file-field');
    expect(await page.inputValue('#field-fuel')).toBe('E85');
  });

  it('makes a new device and puts it on a bus', async () => {
    await page.click('summary:text-is("New file")');
    await page.fill('.new-file input', 'knock-box');
    await page.selectOption('.new-file select', 'hull');
    await page.click('button:text-is("Add device")');
    await page.waitForSelector('#field-device');
    await page.click('button:text("Compare and save 2 files")');
    await page.click('.diff-view button:text-is("Save")');
    await page.waitForSelector('text=Saved at');
    expect(onDisk('garganey/devices/knock-box.yaml')).toBe('device: knock-box\nframes: []\n');
    expect(onDisk(vehicleFile)).toBe(original(vehicleFile).replace('gearbox-sensor] }', 'gearbox-sensor, knock-box] }'));
    rmSync(join(folder, 'garganey/devices/knock-box.yaml'));
  });

  it.each([
    [1366, 768],
    [768, 1024],
    [390, 844],
  ])('has no violation, nothing cut and no small target at %i × %i', async (width, height) => {
    const context = await browser.newContext({ bypassCSP: true, viewport: { width, height }, reducedMotion: 'reduce' });
    const narrow = await context.newPage();
    await narrow.goto(`${serving.url}/#/vehicle`);
    await narrow.waitForSelector('.file-form .file-field');
    await narrow.click('.part summary:has-text("engine") >> nth=0');
    // What lies under the header that stays in place would be told as too small.
    const toTop = () => narrow.evaluate(() => scrollTo(0, 0));
    await toTop();
    expect(await violations(narrow)).toEqual([]);
    const wide = await narrow.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    expect(wide).toBe(0);
    expect(await tooSmall(narrow)).toEqual([]);
    if (width < 1200) await narrow.click('button:text-is("Text")');
    await narrow.locator('.text-editor textarea').fill('vehicle: A\nbuses: {}\nfule: x\n');
    await narrow.waitForSelector('.draft-problems li');
    await toTop();
    expect(await violations(narrow)).toEqual([]);
    await context.close();
  });
});
