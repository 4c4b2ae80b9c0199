// `npm run screenshots`: pictures of every page at every size into docs/screenshots, taken from a real server on the demo bus, and of states
// that a healthy station never shows from the scripted one.
import { mkdirSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, it } from 'vitest';
import { ownAddresses } from '../../server/http/guard.ts';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { launchChromium } from './chromium.ts';
import { pageNames } from './page-names.ts';
import { writeScriptedBus } from './scripted-bus-file.ts';
import { Serving } from './serving.ts';

const folder = fileURLToPath(new URL('../../docs/screenshots/', import.meta.url));

/** The demo is pictured this long after its start. */
const demoSeconds = 45;

const sizes = {
  laptop: [1366, 768],
  tablet: [1024, 768],
  'tablet-upright': [768, 1024],
  phone: [390, 844],
  wall: [1920, 1080],
} as const;
type Size = keyof typeof sizes;

interface Shot {
  name: string;
  /** Address behind `#/`. */
  address: string;
  sizes: readonly Size[];
  light?: boolean;
  /** Brings the page into the state to be pictured. */
  prepare?(page: Page, station: StationDouble | undefined): Promise<void>;
}

const all = Object.keys(sizes) as Size[];

/** Pages of the demo vehicle as the simulator drives it. */
const demoShots: Shot[] = [
  { name: 'live', address: 'live', sizes: all },
  { name: 'live-light', address: 'live', sizes: ['laptop', 'phone'], light: true },
  {
    name: 'live-far',
    address: 'live',
    sizes: ['wall'],
    prepare: async (page) => {
      await page.keyboard.press('v');
    },
  },
  {
    name: 'why',
    address: 'live',
    sizes: ['laptop', 'phone'],
    prepare: async (page) => {
      await page.click('.live [data-channel="exhaust_deviation_1"]');
      await page.waitForSelector('dialog.why[open] .bit[data-lit]');
    },
  },
  {
    name: 'frames',
    address: 'frames',
    sizes: all,
    prepare: async (page) => {
      await page.click('.frame-line');
    },
  },
  { name: 'checks', address: 'checks', sizes: all },
  {
    name: 'bus-check',
    address: 'checks/bus',
    sizes: ['tablet', 'phone'],
    prepare: async (page) => {
      // Of the first size it goes on for the others.
      const begin = page.locator('button:text("Begin")');
      await page.waitForSelector('.big-acts .button');
      if (await begin.isVisible()) await begin.click();
      await page.waitForSelector('[data-judged="true"] .verdict-more');
    },
  },
  { name: 'harness', address: 'harness/connector/bulkhead/A3', sizes: all },
  {
    name: 'vehicle-faulty',
    address: 'vehicle',
    sizes: ['laptop', 'phone'],
    light: true,
    prepare: async (page) => {
      await page.waitForSelector('.file-form .file-field');
      const text = page.getByRole('button', { name: 'Text', exact: true });
      if (await text.isVisible()) await text.click();
      const area = page.locator('.text-editor textarea');
      await area.fill((await area.inputValue()).replace('fuel: methanol', 'fule: methanol'));
      await page.waitForSelector('.draft-problems li');
      await page.click('.problem-place');
      await page.evaluate(() => scrollTo(0, 0));
    },
  },
  {
    name: 'pulls',
    address: 'pulls',
    sizes: all,
    prepare: async (page) => {
      await page.waitForSelector('.pull-line', { timeout: 60_000 });
    },
  },
  { name: 'harness-light', address: 'harness/circuits', sizes: ['tablet'], light: true },
];

/** States of the scripted station. */
const scriptedShots: Shot[] = [
  { name: 'sessions', address: 'sessions', sizes: all },
  { name: 'replay', address: 'sessions/12?at=89000000', sizes: all },
  { name: 'plots', address: 'plots?traces=12:exhaust_temp_1,12:exhaust_temp_5,12:engine_speed', sizes: all },
  {
    name: 'plots-by-speed',
    address: 'plots?traces=12:exhaust_temp_1,12:exhaust_temp_5,12:exhaust_spread&axis=speed',
    sizes: ['laptop', 'tablet'],
  },
  {
    name: 'bad-values',
    address: 'live',
    sizes: ['laptop', 'phone'],
    prepare: async (page, station) => {
      station?.hold('exhaust_temp_3', { quality: 'fault' });
      station?.hold('exhaust_deviation_3', { quality: 'fault' });
      station?.hold('exhaust_temp_6', { quality: 'out-of-range', value: 1260 });
      station?.hold('oil_pressure', { quality: 'stale' });
      station?.raise({
        name: 'exhaust temperature 6 high',
        severity: 'caution',
        channel: 'exhaust_temp_6',
        value: 1260,
        unit: 'degC',
        advice: 'Lift',
      });
      await page.waitForSelector('.alarm-row');
    },
  },
  {
    name: 'warning',
    address: 'live',
    sizes: ['laptop', 'phone'],
    prepare: async (page, station) => {
      station?.raise({
        name: 'oil pressure low',
        severity: 'warning',
        channel: 'oil_margin',
        value: -12,
        unit: 'kPa',
        advice: 'Shut down now',
      });
      await page.waitForSelector('[role="alertdialog"]');
    },
  },
];

/** Pages that have no picture of their own above: as they open. */
const pictured = new Set([...demoShots, ...scriptedShots].map(({ name }) => name));
const otherShots: Shot[] = pageNames()
  .filter((name) => name !== 'begin' && !pictured.has(name))
  .map((name) => ({ name, address: name, sizes: all }));

const firstShots: Shot[] = [
  {
    name: 'begin',
    address: 'begin',
    sizes: all,
    prepare: async (page) => {
      await page.check('.seen-ids li:has-text("0x310") input');
      await page.fill('.make-device input', 'bench-box');
      await page.click('button:text-is("Make the device")');
      await page.waitForSelector('.add-channel');
    },
  },
];

/** Folders of the computer that took the picture say nothing to anybody else. */
function hidePaths(): void {
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const text = texts.currentNode;
    const shown = (text.nodeValue ?? '')
      .replace(/(\/[\w.-]+)+\/(garganey|bench\.log)/g, '/home/crew/$2')
      .replace(/\/tmp\/[\w-]+/g, '/home/crew/teal');
    if (shown !== text.nodeValue) text.nodeValue = shown;
  }
}

async function take(browser: Browser, url: string, shot: Shot, size: Size, station?: StationDouble): Promise<void> {
  const [width, height] = sizes[size];
  const page = await browser.newPage({ viewport: { width, height }, colorScheme: shot.light ? 'light' : 'dark', reducedMotion: 'reduce' });
  await page.goto(`${url}/#/${shot.address}`);
  await page.waitForSelector('.state[data-state="live"]');
  await page.waitForSelector('h1');
  await shot.prepare?.(page, station);
  // Fonts, plots and the first second of values.
  await page.waitForTimeout(1200);
  await page.evaluate(hidePaths);
  await page.screenshot({ path: `${folder}${shot.name}-${size}.png` });
  await page.close();
}

const launched = await launchChromium();
if ('reason' in launched) throw new Error(launched.reason);
const { browser } = launched;
mkdirSync(folder, { recursive: true });
afterAll(() => browser.close());

describe('pictures of the demo', () => {
  let serving: Serving;
  beforeAll(async () => {
    serving = await Serving.start();
    // Long enough for the plots to hold something.
    await new Promise((done) => setTimeout(done, demoSeconds * 1000));
  });
  afterAll(() => serving.stop('SIGKILL'));

  it.each([...demoShots, ...otherShots])('$name', async (shot) => {
    for (const size of shot.sizes) await take(browser, serving.url, shot, size);
  });
});

describe('pictures of a first run', () => {
  it.each(firstShots)('$name', async (shot) => {
    const empty = mkdtempSync(join(tmpdir(), 'evenburn-first-picture-'));
    const { file, vehicle } = writeScriptedBus(300);
    const serving = await Serving.start({ args: ['--vehicle', empty, '--bus', `bench=file:${file}`] });
    for (const size of shot.sizes) await take(browser, serving.url, shot, size);
    await serving.stop('SIGKILL');
    for (const folder of [empty, vehicle]) rmSync(folder, { recursive: true, force: true });
  });
});

/** The login stands where nobody is known: at the computer's address on the network. */
describe.skipIf(ownAddresses().length === 0)('pictures of the login', () => {
  it('login', async () => {
    const serving = await Serving.start({ args: ['--lan'] });
    for (const size of all) {
      const [width, height] = sizes[size];
      const page = await browser.newPage({ viewport: { width, height }, colorScheme: 'dark' });
      await page.goto(`http://${ownAddresses()[0]}:${serving.port}/`);
      await page.waitForSelector('#passphrase');
      await page.screenshot({ path: `${folder}login-${size}.png` });
      await page.close();
    }
    await serving.stop('SIGKILL');
  });
});

describe('pictures of the scripted station', () => {
  it.each(scriptedShots)('$name', async (shot) => {
    for (const size of shot.sizes) {
      const station = await StationDouble.start(straightSix);
      await take(browser, station.url, shot, size, station);
      await station.close();
    }
  });
});
