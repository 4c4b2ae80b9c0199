// The Live page in a real browser: script time a drawn frame beside 16.7 ms, the pages' weight, and the time to the first values on loopback.
import { readdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { gzipSync } from 'node:zlib';
import { runnerImport } from 'vite';
import { ensureInstalled } from '../../server/start.mjs';
import { median } from './interleaved.mjs';

const frameMs = 16.7;
const floor = 0.5;
const goal = 0.25;
const rounds = 5;
const roundMs = 3000;
const weightMaxBytes = 250_000;
const firstValuesMaxMs = 1000;
const here = (name) => fileURLToPath(new URL(name, import.meta.url));

ensureInstalled({ dev: true, folder: 'tests/browser' });
const require = createRequire(here('../browser/package.json'));
const { default: packaged } = await import(require.resolve('@sparticuz/chromium'));
const { chromium } = require('playwright-core');
const { module: router } = await runnerImport(here('../browser/page-names.ts'), { configFile: false });
const { module: double } = await runnerImport(here('../doubles/station-double.ts'), { configFile: false });

/** Four plots; the widest has eight traces of about 600 points or more. */
const eight = {
  banks: [{ name: 'main', cylinders: [1, 2, 3, 4, 5, 6, 7, 8] }],
  sets: { port: {}, plenum: { A: [1, 2, 3, 4], B: [5, 6, 7, 8] } },
};

/** Adds up what a frame's packets and its drawing cost, in the page itself. */
function countScriptTime() {
  const frames = [];
  let packetsMs = 0;
  const animate = window.requestAnimationFrame.bind(window);
  window.requestAnimationFrame = (draw) =>
    animate((time) => {
      const began = performance.now();
      draw(time);
      frames.push(performance.now() - began + packetsMs);
      packetsMs = 0;
    });
  const listener = Object.getOwnPropertyDescriptor(WebSocket.prototype, 'onmessage');
  Object.defineProperty(WebSocket.prototype, 'onmessage', {
    ...listener,
    set(handle) {
      listener.set.call(this, (event) => {
        const began = performance.now();
        handle(event);
        packetsMs += performance.now() - began;
      });
    },
  });
  window.takeFrames = () => frames.splice(0);
}

function quantile(values, q) {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.ceil(q * sorted.length) - 1)];
}

/** Fonts and pictures are compressed already. */
function compressedBytes(name, bytes) {
  return /\.(woff2|png)$/.test(name) ? bytes.length : gzipSync(bytes).length;
}

function weighAll(folder) {
  return readdirSync(folder, { withFileTypes: true }).reduce((sum, entry) => {
    const path = join(folder, entry.name);
    return sum + (entry.isDirectory() ? weighAll(path) : compressedBytes(entry.name, readFileSync(path)));
  }, 0);
}

/** All files that a browser asks for which opens this page first. */
async function weighPage(name) {
  const first = await browser.newPage({ viewport: { width: 1366, height: 768 } });
  const bodies = [];
  first.on('response', (response) => {
    const { pathname } = new URL(response.url());
    if (!/^\/(api|live)/.test(pathname)) bodies.push(response.body().then((body) => compressedBytes(pathname, body)));
  });
  await first.goto(`${station.url}/#/${name}`);
  await first.waitForSelector('main h1');
  // Some pages ask again and again, so the network is never idle: until no further file has come for a while.
  for (let seen = -1; seen !== bodies.length; ) {
    seen = bodies.length;
    await Promise.all(bodies);
    await first.waitForTimeout(700);
  }
  const bytes = (await Promise.all(bodies)).reduce((sum, one) => sum + one, 0);
  await first.close();
  return { name, bytes };
}

const browser = await chromium.launch({ executablePath: await packaged.executablePath(), args: ['--no-sandbox', '--headless'] });
const station = await double.StationDouble.start(eight);
const page = await browser.newPage({ viewport: { width: 1366, height: 768 } });
await page.addInitScript(countScriptTime);
const opened = Date.now();
await page.goto(`${station.url}/#/live`);
await page.waitForFunction(() => /\d/.test(document.querySelector('[data-channel="engine_speed"] .number')?.textContent ?? ''));
const firstValuesMs = Date.now() - opened;
await page.waitForTimeout(3000);
const points = await page.evaluate(() =>
  [...document.querySelectorAll('figure.plot')].map((plot) => plot.drawnPoints().traces.map((trace) => trace.points.length)),
);
const ratios = [];
for (let round = 0; round < rounds; round++) {
  await page.evaluate(() => window.takeFrames());
  await page.waitForTimeout(roundMs);
  ratios.push(quantile(await page.evaluate(() => window.takeFrames()), 0.95) / frameMs);
}
const weights = [];
for (const name of router.pageNames()) weights.push(await weighPage(name));
await browser.close();
await station.close();

const ratio = median(ratios);
const verdict = ratio <= goal ? 'goal reached' : ratio <= floor ? 'floor reached' : 'ABOVE THE FLOOR';
const heaviest = weights.reduce((a, b) => (b.bytes > a.bytes ? b : a));
const toKb = (bytes) => (bytes / 1000).toFixed(0);
process.stdout.write(`Live page script time a drawn frame, p95; plots of ${points.map((plot) => `${plot.length} × ${plot[0]}`).join(', ')} points
  ratio ${ratio.toFixed(3)} (median of ${rounds}, ${Math.min(...ratios).toFixed(3)} to ${Math.max(...ratios).toFixed(3)}); floor ${floor}, goal ${goal}: ${verdict}
  reference ${frameMs} ms
Weight of a page with all that it asks for, compressed, kB: ${weights.map(({ name, bytes }) => `${name} ${toKb(bytes)}`).join(', ')}
  heaviest ${heaviest.name}, ${toKb(heaviest.bytes)} kB of at most ${toKb(weightMaxBytes)} kB; all pages together ${toKb(weighAll(here('../../dist/web')))} kB
First values after ${firstValuesMs} ms of at most ${firstValuesMaxMs} ms on loopback
`);
process.exit(ratio > floor || heaviest.bytes > weightMaxBytes || firstValuesMs > firstValuesMaxMs ? 1 : 0);
