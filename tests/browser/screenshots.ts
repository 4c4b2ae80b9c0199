// `npm run screenshots`: pictures of every page at every size into docs/screenshots, taken from a real server on the demo bus, and of states
// that a healthy station never shows from the scripted one.
import { mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, it } from 'vitest';
import { StationDouble, straightSix } from '../doubles/station-double.ts';
import { launchChromium } from './chromium.ts';
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
  { name: 'checks', address: 'checks', sizes: ['laptop', 'tablet', 'phone'] },
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
  { name: 'harness', address: 'harness/connector/bulkhead/A3', sizes: ['laptop', 'tablet', 'phone'] },
  { name: 'harness-light', address: 'harness/circuits', sizes: ['tablet'], light: true },
];

/** States of the scripted station. */
const scriptedShots: Shot[] = [
  { name: 'sessions', address: 'sessions', sizes: ['laptop', 'tablet', 'phone'] },
  { name: 'replay', address: 'sessions/12?at=89000000', sizes: ['laptop', 'tablet-upright', 'phone'] },
  { name: 'plots', address: 'plots?traces=12:exhaust_temp_1,12:exhaust_temp_5,12:engine_speed', sizes: ['laptop', 'phone'] },
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

async function take(browser: Browser, url: string, shot: Shot, size: Size, station?: StationDouble): Promise<void> {
  const [width, height] = sizes[size];
  const page = await browser.newPage({ viewport: { width, height }, colorScheme: shot.light ? 'light' : 'dark', reducedMotion: 'reduce' });
  await page.goto(`${url}/#/${shot.address}`);
  await page.waitForSelector('.state[data-state="live"]');
  await page.waitForSelector('h1');
  await shot.prepare?.(page, station);
  // Fonts, plots and the first second of values.
  await page.waitForTimeout(1200);
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

  it.each(demoShots)('$name', async (shot) => {
    for (const size of shot.sizes) await take(browser, serving.url, shot, size);
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
