// The Live page in a real browser against a real server: values move, alarms come and go, connections break and mend.
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, describe, expect, it } from 'vitest';
import type { WindowView } from '../../server/contract/window.ts';
import { untilSeen } from '../waiting.ts';
import { launchChromium } from './chromium.ts';
import { CuttableWire } from './cuttable-wire.ts';
import { writeScriptedBus } from './scripted-bus-file.ts';
import { freePort, Serving } from './serving.ts';

const launched = await launchChromium();
if ('reason' in launched) console.warn(`skipped: ${launched.reason}`);

const live = '.state[data-state="live"]';

async function openLive(browser: Browser, url: string): Promise<Page> {
  const page = await browser.newPage({ viewport: { width: 1366, height: 768 } });
  await page.goto(`${url}/#/live`);
  await page.waitForSelector(live);
  return page;
}

/** Reading of a channel on the page, its word included. */
function reading(page: Page, channel: string): Locator {
  return page.locator(`.live [data-channel="${channel}"]`).first();
}

/** The number alone that a reading shows; empty where it shows none. */
function numberOf(page: Page, channel: string): Promise<string> {
  return textOf(reading(page, channel).locator('.number'));
}

async function textOf(locator: Locator): Promise<string> {
  return (await locator.textContent()) ?? '';
}

/** The server's own clock, past the wire that the page hangs on. */
async function uptimeS(url: string): Promise<number> {
  const health = (await (await fetch(`${url}/api/health`)).json()) as { uptimeS: number };
  return health.uptimeS;
}

interface Drawn {
  zeroUs: number;
  widthUs: number;
  traces: { points: { x: number; y: number }[] }[];
}

/** Lowest and highest value of each bin, ascending, by bin number. */
type Bins = Map<number, number[]>;

async function drawnBins(page: Page): Promise<{ bins: Bins; widthUs: number }> {
  const plot = page.locator('figure[data-plot="Engine speed"]');
  // A plot can be asked once it was drawn, which is after its place is there.
  const drawn = await plot.evaluate((node) => (node as unknown as { drawnPoints?(): Drawn }).drawnPoints?.());
  const { zeroUs, widthUs, traces } = drawn ?? { zeroUs: 0, widthUs: 1, traces: [] };
  const bins: Bins = new Map();
  for (const { x, y } of traces[0]?.points ?? []) {
    const bin = Math.floor((zeroUs + x * 1e6) / widthUs);
    if (!Number.isNaN(y))
      bins.set(
        bin,
        [...(bins.get(bin) ?? []), y].sort((a, b) => a - b),
      );
  }
  return { bins, widthUs };
}

async function storedBins(url: string, from: number, to: number, widthUs: number): Promise<Bins> {
  const query = `channels=engine_speed&from=${from * widthUs}&to=${to * widthUs}&width=${widthUs}`;
  const window = (await (await fetch(`${url}/api/window?${query}`)).json()) as WindowView;
  const bins: Bins = new Map();
  window.traces[0]?.low.forEach((low, i) => {
    const high = window.traces[0]?.high[i];
    const bin = window.first + i;
    if (typeof low === 'number' && typeof high === 'number' && bin >= from && bin < to) bins.set(bin, [...new Set([low, high])]);
  });
  return bins;
}

/** The drawn engine speed holds every bin that the store holds of that stretch, with its very values; the newest two are still growing. */
async function expectDrawnAsStored(page: Page, url: string): Promise<void> {
  const { drawn, stored } = await untilSeen(
    async () => {
      const { bins, widthUs } = await drawnBins(page);
      const numbers = [...bins.keys()];
      const [from, to] = [Math.min(...numbers), Math.max(...numbers) - 1];
      const kept = [...bins].filter(([bin]) => bin < to).sort(([a], [b]) => a - b);
      return { drawn: kept, stored: bins.size > 20 ? [...(await storedBins(url, from, to, widthUs))] : [] };
    },
    // Holes are being fetched while the page already draws.
    (seen) => seen.stored.length > 20 && seen.stored.length === seen.drawn.length,
  );
  expect(drawn).toEqual(stored);
}

describe.skipIf('reason' in launched)('the Live page', () => {
  const { browser } = launched as { browser: Browser };
  const script = writeScriptedBus(600);
  let serving: Serving;

  beforeAll(async () => {
    serving = await Serving.start({ args: script.args });
  });
  afterAll(async () => {
    await serving.stop();
    await browser.close();
  });

  it('shows values that move, and never shows a faulty one as a number', async () => {
    const page = await openLive(browser, serving.url);
    const first = await untilSeen(
      () => numberOf(page, 'engine_speed'),
      (text) => /\d{4}/.test(text),
    );
    await untilSeen(
      () => numberOf(page, 'engine_speed'),
      (text) => /\d{4}/.test(text) && text !== first,
    );
    const open = reading(page, 'exhaust_temp_2');
    await untilSeen(
      () => open.getAttribute('data-quality'),
      (quality) => quality === 'fault',
    );
    expect(await textOf(open.locator('.number'))).toBe('');
    expect(await textOf(open.locator('.word'))).toBe('fault');
    expect(await open.evaluate((node) => getComputedStyle(node).backgroundImage)).toContain('repeating-linear-gradient');
    await page.close();
  });

  it('fills the whole screen with a warning, lists it as the first, and lets a crew acknowledge it for every browser', async () => {
    const page = await openLive(browser, serving.url);
    const other = await openLive(browser, serving.url);
    const warning = page.locator('[role="alertdialog"]');
    await warning.waitFor();
    expect(await textOf(warning)).toContain('Let the box cool');
    const covered = await warning.boundingBox();
    expect(covered).toEqual({ x: 0, y: 0, width: 1366, height: 768 });
    const row = page.locator('.alarm-row[data-alarm="box hot"]');
    expect(await textOf(row)).toContain('came first');
    expect(await textOf(row)).toMatch(/box temp 90 °C/);
    // The warning takes the focus in an effect, after it was drawn.
    await page.waitForFunction(() => document.activeElement?.getAttribute('role') === 'alertdialog');
    await page.keyboard.press('Tab');
    expect(await page.evaluate(() => document.activeElement?.textContent)).toBe('Acknowledge');
    await page.keyboard.press('Enter');
    await warning.waitFor({ state: 'detached' });
    await other.locator('[role="alertdialog"]').waitFor({ state: 'detached' });
    await untilSeen(
      () => textOf(page.locator('.past')),
      (text) => text.length > 0,
    );
    await page.close();
    await other.close();
  });

  it('draws exactly the points of the store', async () => {
    const page = await openLive(browser, serving.url);
    await expectDrawnAsStored(page, serving.url);
    await page.close();
  });

  it('greys when the wire freezes or breaks, and is whole again when it is mended', async () => {
    const wire = await CuttableWire.to(serving.port);
    const page = await openLive(browser, wire.url);
    await expectDrawnAsStored(page, serving.url);
    for (const trouble of ['freeze', 'break'] as const) {
      wire[trouble]();
      await page.waitForSelector('.unlit');
      // Long enough that the plot would miss many bins.
      const silentS = await uptimeS(serving.url);
      await untilSeen(
        () => uptimeS(serving.url),
        (now) => now > silentS + 1.5,
      );
      wire.mend();
      await page.waitForSelector('.unlit', { state: 'detached' });
      await expectDrawnAsStored(page, serving.url);
    }
    await page.close();
    await wire.close();
  });

  it('follows a derived number down to the bits of its frame, by keyboard alone', async () => {
    const page = await openLive(browser, serving.url);
    const button = reading(page, 'exhaust_temp_1');
    await untilSeen(
      () => numberOf(page, 'exhaust_temp_1'),
      (text) => /\d/.test(text),
    );
    await button.focus();
    await page.keyboard.press('Enter');
    const panel = page.locator('dialog.why[open]');
    await panel.locator('.bit[data-lit]').first().waitFor();
    expect(await panel.locator('.bit[data-lit]').count()).toBe(16);
    const text = await textOf(panel);
    expect(text).toContain('0x310');
    expect(text).toMatch(/× 0\.1 − 50 = /);
    expect(text).toContain('devices/box.yaml:');
    await page.keyboard.press('Escape');
    await panel.waitFor({ state: 'detached' });
    await page.waitForFunction(() => document.activeElement?.getAttribute('data-channel') === 'exhaust_temp_1');
    await page.close();
  });

  it('lists the frames that were seen, bit by bit', async () => {
    const page = await browser.newPage();
    await page.goto(`${serving.url}/#/frames`);
    const row = page.locator('.frame-row[data-frame="temps"]');
    await row.locator('button').first().click();
    await row.locator('.bit').first().waitFor();
    expect(await row.locator('.bit').count()).toBe(64);
    // Byte 7 is read by no signal.
    expect(await row.locator('.bit[data-unclaimed]').count()).toBe(8);
    await page.close();
  });

  it('asks nothing outside the server that it came from', async () => {
    const page = await browser.newPage();
    const asked: string[] = [];
    page.on('request', (request) => asked.push(request.url()));
    page.on('websocket', (socket) => asked.push(socket.url()));
    const complaints: string[] = [];
    page.on('console', (message) => message.type() === 'error' && complaints.push(message.text()));
    for (const name of ['live', 'frames']) {
      await page.goto(`${serving.url}/#/${name}`);
      await page.waitForSelector(live);
    }
    expect(asked.length).toBeGreaterThan(5);
    expect(asked.filter((url) => new URL(url).host !== `127.0.0.1:${serving.port}`)).toEqual([]);
    expect(complaints).toEqual([]);
    await page.close();
  });

  it('gives a foreign page neither an answer nor a stream', async () => {
    const foreign = createServer((_request, response) => response.end('<!doctype html><title>foreign</title>'));
    await new Promise<void>((done) => foreign.listen(0, '127.0.0.1', done));
    const page = await browser.newPage();
    await page.goto(`http://localhost:${(foreign.address() as AddressInfo).port}/`);
    const got = await page.evaluate(async (port) => {
      const answer = await fetch(`http://127.0.0.1:${port}/api/health`).then(
        () => 'answered',
        () => 'refused',
      );
      const stream = await new Promise((resolve) => {
        const socket = new WebSocket(`ws://127.0.0.1:${port}/live/?EIO=4&transport=websocket`);
        socket.onopen = () => resolve('opened');
        socket.onerror = () => resolve('refused');
      });
      return { answer, stream };
    }, serving.port);
    expect(got).toEqual({ answer: 'refused', stream: 'refused' });
    await page.close();
    foreign.close();
  });
});

describe.skipIf('reason' in launched)('a connection that breaks', () => {
  it.each(['SIGKILL', 'SIGTERM'] as const)(
    'greys the page, and mends without a reload when the server is back after %s',
    async (signal) => {
      const again = await launchChromium();
      if ('reason' in again) throw new Error(again.reason);
      const first = await Serving.start({ port: await freePort() });
      const page = await openLive(again.browser, first.url);
      await page.evaluate(() => Object.assign(window, { notReloaded: true }));
      await untilSeen(
        () => numberOf(page, 'engine_speed'),
        (text) => /\d/.test(text),
      );
      await first.stop(signal);
      await page.waitForSelector('.unlit');
      const opacity = await reading(page, 'engine_speed').evaluate((node) => Number(getComputedStyle(node).opacity));
      expect(opacity).toBeLessThan(0.6);
      const second = await Serving.start({ port: first.port });
      await page.waitForSelector('.unlit', { state: 'detached' });
      await untilSeen(
        () => numberOf(page, 'engine_speed'),
        (text) => /\d/.test(text),
      );
      expect(await page.evaluate(() => 'notReloaded' in window)).toBe(true);
      await again.browser.close();
      await second.stop();
    },
  );
});
